"""What a server may add or spell otherwise is no change; anything else is."""

from __future__ import annotations

from typing import Any

import pytest

from service.delivery.compare_resource import differences
from service.exact_json import read_json

BASE = "https://fhir.example/r4"
SENT: dict[str, Any] = read_json(
    b'{"resourceType": "Observation", "id": "ours", "status": "final",'
    b' "meta": {"profile": ["urn:p"], "tag": [{"system": "urn:t", "code": "x"}]},'
    b' "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]},'
    b' "subject": {"reference": "Patient/7"}, "effectiveDateTime": "2031-03-02T10:02:05+01:00",'
    b' "valueQuantity": {"value": 187.50, "unit": "J"}}'
)


def test_what_is_the_same_is_kept() -> None:
    assert differences(SENT, SENT, BASE) == []


ADDED: dict[str, dict[str, Any]] = {
    "another id": {"id": "theirs"},
    "a narrative": {"text": {"status": "generated", "div": "<div/>"}},
    "version and time": {"meta": {**SENT["meta"], "versionId": "3", "lastUpdated": "2031-03-02T10:02:05Z"}},
    "a profile and a tag more": {
        "meta": {
            "profile": ["urn:other", "urn:p"],
            "tag": [{"code": "y"}, {"system": "urn:t", "code": "x", "display": "X"}],
        }
    },
    "a trailing zero less": {"valueQuantity": {"value": 187.5, "unit": "J"}},
    "the whole address": {"subject": {"reference": f"{BASE}/Patient/7"}},
    "a version in the reference": {"subject": {"reference": "Patient/7/_history/2"}},
}  # fmt: skip


@pytest.mark.parametrize("name", ADDED)
def test_what_a_server_may_add_or_spell_otherwise_is_no_change(name: str) -> None:
    assert differences(SENT, {**SENT, **ADDED[name]}, BASE) == []


CHANGED: dict[str, tuple[dict[str, Any], list[str]]] = {
    "a word": ({"status": "amended"}, ["status"]),
    "a value": ({"valueQuantity": {"value": 187.51, "unit": "J"}}, ["valueQuantity.value"]),
    "a number for a text": ({"valueQuantity": {"value": "187.50", "unit": "J"}}, ["valueQuantity.value"]),
    "a code": ({"code": {"coding": [{"system": "http://loinc.org", "code": "1"}]}}, ["code.coding[0].code"]),
    "a coding more": ({"code": {"coding": [*SENT["code"]["coding"], {"code": "1"}]}}, ["code.coding"]),
    "another patient": ({"subject": {"reference": "Patient/8"}}, ["subject.reference"]),
    "a patient elsewhere": ({"subject": {"reference": "https://other.example/Patient/7"}}, ["subject.reference"]),
    "another hour of the same moment": ({"effectiveDateTime": "2031-03-02T09:02:05Z"}, ["effectiveDateTime"]),
    "a member more": ({"note": [{"text": "x"}]}, ["note"]),
    "another type": ({"resourceType": "Procedure"}, ["resourceType"]),
    "no profile": ({"meta": {"tag": SENT["meta"]["tag"]}}, ["meta.profile[0]"]),
    "no meta": ({"meta": None}, ["meta.profile[0]", "meta.tag[0]"]),
}


@pytest.mark.parametrize("name", CHANGED)
def test_every_other_change_is_found_and_named_by_its_path_alone(name: str) -> None:
    change, paths = CHANGED[name]
    assert differences(SENT, {**SENT, **change}, BASE) == paths


def test_what_is_missing_is_found() -> None:
    found = {name: member for name, member in SENT.items() if name != "valueQuantity"}
    assert differences(SENT, found, BASE) == ["valueQuantity"]


def test_true_is_not_one() -> None:
    assert differences({"active": True}, {"active": 1}, BASE) == ["active"]
    assert differences({"active": True}, {"active": True}, BASE) == []
