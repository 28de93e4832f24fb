"""Every primitive type of R4 has its check, with values that are right and values that are not."""

from __future__ import annotations

import pytest

from service.checking.check_resource import check_resource
from service.checking.primitives import PRIMITIVE_CHECKS
from service.checking.table import PRIMITIVES
from service.exact_json import ExactNumber, read_json

GOOD: dict[str, list[object]] = {
    "base64Binary": ["aGFsbG8=", "aGFs", "aGFs\r\n bG8="],
    "boolean": [True, False],
    "canonical": ["http://x.example/v|1.0", "#local", "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d|2"],
    "code": ["final", "a b", "é"],
    "date": ["2031", "2031-02", "2031-02-28", "2032-02-29", "0001-01-01", "9999-12-31"],
    "dateTime": [
        "2031",
        "2031-03-02T10:00:00Z",
        "2031-03-02T23:59:60.123456789+14:00",
        "2031-03-02T10:00:00-00:00",
    ],
    "decimal": [0, -1, 1.5, ExactNumber("1.50"), ExactNumber("1e-7"), 10**30],
    "id": ["a", "A-1.b", "x" * 64],
    "instant": ["2031-03-02T10:00:00.000Z"],
    "integer": [0, -(2**31), 2**31 - 1],
    "markdown": ["*a*\n\n- b", " leading"],
    "oid": ["urn:oid:1.2.3", "urn:oid:2.0"],
    "positiveInt": [1, 2**31 - 1],
    "string": ["a", "two\u00a0words", "\u0007", "日本", "x" * 1024 * 1024],
    "time": ["10:00:00", "23:59:60.5"],
    "unsignedInt": [0, 1],
    "uri": ["urn:example:x", "http://x.example/%20", "relative/path", "urn:oid:1.2.3"],
    "url": ["http://x.example"],
    "uuid": ["urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"],
    "xhtml": ["<div/>"],
}
BAD: dict[str, list[object]] = {
    "base64Binary": ["aGFsbG8", "a===", "====", "aGF$"],
    "boolean": ["true", 1, 0],
    "canonical": ["http://x.example/a b", "urn:uuid:nothing"],
    "code": [" final", "final ", "a  b", "a\u000bb"],
    "date": [
        "2031-02-29",
        "2031-13",
        "2031-00-01",
        "0000",
        "31-01-01",
        "2031-1-1",
        "2031-04-31",
        "2031-03-02T10:00:00Z",
    ],
    "dateTime": [
        "2031-03-02T10:00:00",
        "2031-03-02T10:00Z",
        "2031-03-02T24:00:00Z",
        "2031-03-02T10:00:00+14:30",
        "2031-02-30T10:00:00Z",
        "2031-03-02 10:00:00Z",
        "2031-03-02T10:00:00z",
        "2031-03-02\n",
        "\uff12\uff10\uff13\uff11",
    ],
    "decimal": ["1", True, float("nan"), float("inf")],
    "id": ["a_b", "x" * 65, "a b", "a\n"],
    "instant": ["2031-03-02", "2031-03-02T10:00Z", "2031-03-02T10:00:00"],
    "integer": [2**31, 1.0, ExactNumber("1.0"), ExactNumber("1e2"), True, "1"],
    "markdown": [1],
    "oid": ["1.2.3", "urn:oid:3.1", "urn:oid:1.02"],
    "positiveInt": [0, -1, 2**31],
    "string": ["x" * (1024 * 1024 + 1), "a\u000bb", "a\u0000", "\ud800", 1, True],
    "time": ["10:00", "24:00:00", "10:00:00Z"],
    "unsignedInt": [-1, 2**31],
    "uri": ["a b", "a\tb", "urn:oid:1.02.3", "urn:uuid:2f6f3c1e"],
    "url": ["http://x.example/a b"],
    "uuid": ["urn:uuid:2F6F3C1E-8a5d-5a0e-9a51-0d3c1a2b4c5d", "2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"],
    "xhtml": [1, "\u0000"],
}


def test_every_primitive_type_has_its_check_and_its_cases() -> None:
    assert set(PRIMITIVE_CHECKS) == PRIMITIVES == set(GOOD) == set(BAD)


@pytest.mark.parametrize("name", PRIMITIVE_CHECKS)
def test_a_good_value_has_no_problem(name: str) -> None:
    for value in GOOD[name]:
        assert PRIMITIVE_CHECKS[name](value) is None, value


@pytest.mark.parametrize("name", PRIMITIVE_CHECKS)
def test_a_bad_value_is_an_error(name: str) -> None:
    for value in BAD[name]:
        problem = PRIMITIVE_CHECKS[name](value)
        assert problem is not None, value
        assert (problem.severity, problem.rule in {"primitive", "type"}) == ("error", True), value


@pytest.mark.parametrize("name", PRIMITIVE_CHECKS)
def test_null_and_the_empty_string_are_empty(name: str) -> None:
    for value in (None, ""):
        problem = PRIMITIVE_CHECKS[name](value)
        assert problem is not None
        assert problem.rule == "empty" or name in {
            "boolean", "decimal", "integer", "positiveInt", "unsignedInt",
        }  # fmt: skip


@pytest.mark.parametrize("name", PRIMITIVE_CHECKS)
def test_an_object_or_array_is_no_primitive(name: str) -> None:
    for value in ({}, [], {"a": 1}, ["a"]):
        problem = PRIMITIVE_CHECKS[name](value)
        assert problem is not None
        assert problem.rule == "type"


@pytest.mark.parametrize(
    ("name", "value"),
    [("string", " \n"), ("markdown", "\u00a0"), ("uri", "urn:uuid:2F6F3C1E-8A5D-5A0E-9A51-0D3C1A2B4C5D")],
)
def test_what_r4_only_advises_against_is_a_warning(name: str, value: str) -> None:
    problem = PRIMITIVE_CHECKS[name](value)

    assert problem is not None
    assert problem.severity == "warning"


def test_a_warning_about_a_primitive_leaves_the_resource_without_error() -> None:
    (finding,) = check_resource(
        {"resourceType": "Observation", "status": "final", "code": {"text": "c"}, "valueString": " "}
    )

    assert (finding.severity, finding.path) == ("warning", "Observation.valueString")


def test_a_number_keeps_its_digits_and_is_still_a_decimal() -> None:
    resource = read_json(
        b'{"resourceType": "Observation", "status": "final", "code": {"text": "c"},'
        b' "valueQuantity": {"value": 1.50}, "component": [{"code": {"text": "d"}, "valueInteger": 2.0}]}'
    )

    (finding,) = check_resource(resource)

    assert (finding.rule, finding.path) == ("primitive", "Observation.component[0].valueInteger")
