"""An ECG strip becomes SampledData from which every sample can be read back exactly."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.exact_json import ExactNumber
from service.mapping.sampled_strip import LeadSamples, exact_period, sampled_data, split_strip

_LEAD = {"text": "Lead II"}
_START = "2031-03-02T10:01:50+01:00"


def _read_back(data: dict[str, Any]) -> list[Decimal | None]:
    """Return the samples of a SampledData as its definition says: origin plus factor times datum."""
    factor, origin = Decimal(str(_spelled(data["factor"]))), Decimal(data["origin"]["value"])
    return [None if datum == "E" else origin + factor * int(datum) for datum in data["data"].split(" ")]


def _spelled(number: float) -> Any:
    return getattr(number, "literal", number)


@pytest.mark.parametrize(("hertz", "period"), [(125, "8"), (128, "7.8125"), (250, "4"), (500, "2")])
def test_a_strip_of_six_seconds_round_trips_to_the_sample(hertz: int, period: str) -> None:
    # Six seconds is the usual length of a strip: common practice, no source.
    samples = [ExactNumber(f"{(place * 37 % 2000 - 1000) / 1000:.3f}") for place in range(6 * hertz)]
    (segment,) = split_strip([LeadSamples(_LEAD, samples)], hertz, _START)
    data = segment.components[0]["valueSampledData"]
    assert _read_back(data) == [Decimal(sample.literal) for sample in samples]
    assert str(_spelled(data["period"])) == period
    assert (segment.start, segment.end) == (_START, "2031-03-02T10:01:56+01:00")


@given(st.lists(st.decimals(min_value=-20, max_value=20, places=4) | st.none(), min_size=1, max_size=50))
def test_every_sample_is_read_back_exactly_whatever_its_digits(samples: list[Decimal | None]) -> None:
    sent = [None if sample is None else ExactNumber(str(sample)) for sample in samples]
    assert _read_back(sampled_data(sent, 4)) == samples


def test_a_pause_splits_the_strip_and_each_part_has_its_own_time() -> None:
    samples = [0.1, 0.2, None, None, 0.3]
    first, second = split_strip([LeadSamples(_LEAD, samples)], 250, _START)
    assert (first.start, first.end) == (_START, "2031-03-02T10:01:50.008+01:00")
    assert (second.start, second.end) == ("2031-03-02T10:01:50.016+01:00", "2031-03-02T10:01:50.020+01:00")


def test_a_lead_that_alone_misses_a_sample_says_so_without_splitting_the_others() -> None:
    (segment,) = split_strip([LeadSamples(_LEAD, [0.1, None]), LeadSamples(_LEAD, [0.1, 0.2])], 250, _START)
    assert [component["valueSampledData"]["data"] for component in segment.components] == ["1 E", "1 2"]


def test_a_strip_without_any_sample_has_no_segment() -> None:
    assert split_strip([LeadSamples(_LEAD, [None, None])], 250, _START) == []


def test_a_period_without_an_exact_decimal_is_given_to_fifteen_decimals() -> None:
    assert _spelled(exact_period(300)) == "3.333333333333333"
