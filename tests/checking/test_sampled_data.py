"""The grammar of SampledData: decimals and error codes with one space between."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource


def found(**members: Any) -> list[tuple[str, str]]:
    samples = {"origin": {"value": 0}, "period": 4, "dimensions": 1, **members}
    resource = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "c"},
        "valueSampledData": samples,
    }
    return [(finding.rule, finding.severity) for finding in check_resource(resource)]


@pytest.mark.parametrize("data", ["0", "-1 2.50 3e-2", "E", "1 E 2", "-0"])
def test_decimals_and_errors_with_one_space_between_are_right(data: str) -> None:
    assert found(data=data) == []


def test_samples_may_be_absent() -> None:
    assert found() == []


@pytest.mark.parametrize(
    "data", ["1  2", " 1", "1 ", "1\n2", "1,2", "x", "e", "01", ".5", "1.", "+1", "1 NaN", "EE", "1\t2", "E1"]
)
def test_anything_else_is_no_sample(data: str) -> None:
    assert found(data=data) == [("sampled-data", "error")]


@pytest.mark.parametrize(("mark", "limit"), [("L", "lowerLimit"), ("U", "upperLimit")])
def test_a_sample_beyond_a_limit_that_nobody_gave_is_a_warning(mark: str, limit: str) -> None:
    assert found(data=f"1 {mark}") == [("sampled-data", "warning")]
    assert found(data=f"1 {mark}", **{limit: 5}) == []


def test_samples_that_do_not_fill_the_dimensions_are_a_warning() -> None:
    assert found(data="1 2 3", dimensions=2) == [("sampled-data", "warning")]
    assert found(data="1 2 3 4", dimensions=2) == []


def test_a_long_strip_is_read_in_time_that_grows_with_its_length() -> None:
    assert found(data=" ".join(["-0.125"] * 100_000)) == []
    assert found(data="-0.125 " * 100_000 + "x") == [("sampled-data", "error")]
