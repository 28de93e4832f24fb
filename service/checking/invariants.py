"""The error-severity invariants of R4's resources and data types, as plain functions of a node.

Each takes a node whose structure is sound and returns whether the invariant holds; None where nobody can say
(partial dates, quantities in different units), which the specification's own expression leaves empty.
Source: FHIR R4 (4.0.1), the constraints of each StructureDefinition; their words are in r4_table.json.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.checking.moments import is_not_after
from service.checking.narrative import has_content, has_only_allowed_elements
from service.checking.table import TYPES

Node = dict[str, Any]
HoldsFor = Callable[[Any], bool | None]

_UCUM = "http://unitsofmeasure.org"
_CONDITION_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_CONDITION_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def _has(node: Node, name: str) -> bool:
    """Return whether an element exists, be it by its value or by its extensions alone."""
    return name in node or "_" + name in node


def _is_distinct(values: Iterable[object]) -> bool:
    seen = list(values)
    return len(seen) == len(set(seen))


def choice_names(type_name: str, base: str) -> frozenset[str]:
    """Return the JSON names under which a choice such as value[x] may stand, with their extension partners."""
    for element in TYPES[type_name].elements:
        if element.name == base + "[x]":
            names = {base + choice_suffix(kind) for kind in element.types}
            return frozenset(names | {"_" + name for name in names})
    raise KeyError(base)


def choice_suffix(type_name: str) -> str:
    """Return what a choice's name ends in for a type: its name, a profile on Quantity being a Quantity."""
    return "Quantity" if type_name == "SimpleQuantity" else type_name[0].upper() + type_name[1:]


_EXTENSION_VALUE = choice_names("Extension", "value")
_OBSERVATION_VALUE = choice_names("Observation", "value")
_ABATEMENT = choice_names("Condition", "abatement")
_RATE = choice_names("MedicationAdministration.dosage", "rate")
_PARAMETER_VALUE = choice_names("Parameters.parameter", "value")
_TRIGGER_TIMING = choice_names("TriggerDefinition", "timing")


def _has_any(node: Node, names: frozenset[str]) -> bool:
    return not names.isdisjoint(node)


def _has_coding(concept: Any, system: str, codes: frozenset[str]) -> bool:
    codings = concept.get("coding", ()) if concept else ()
    return any(coding.get("system") == system and coding.get("code") in codes for coding in codings)


def _is_ucum_with_code(node: Node) -> bool:
    return (_has(node, "code") or not _has(node, "value")) and node.get("system", _UCUM) == _UCUM


def _age_1(node: Node) -> bool:
    return _is_ucum_with_code(node) and ("value" not in node or node["value"] > 0)


def _cnt_3(node: Node) -> bool:
    value = node.get("value")
    is_whole = value is None or isinstance(value, int) or "." not in str(getattr(value, "literal", value))
    return _is_ucum_with_code(node) and node.get("code", "1") == "1" and is_whole


def _drt_1(node: Node) -> bool:
    return not _has(node, "code") or (node.get("system") == _UCUM and _has(node, "value"))


def _con_4(node: Node) -> bool:
    ended = frozenset(("resolved", "remission", "inactive"))
    return not _has_any(node, _ABATEMENT) or _has_coding(node.get("clinicalStatus"), _CONDITION_CLINICAL, ended)


def _con_5(node: Node) -> bool:
    in_error = frozenset(("entered-in-error",))
    return "clinicalStatus" not in node or not _has_coding(
        node.get("verificationStatus"), _CONDITION_VERIFICATION, in_error
    )


def _dom_2(node: Node) -> bool:
    return "contained" not in node or all("contained" not in child for child in node["contained"])


def _dom_4(node: Node) -> bool:
    if "contained" not in node:
        return True
    metas = [child.get("meta", {}) for child in node["contained"]]
    return not any(_has(meta, "versionId") or _has(meta, "lastUpdated") for meta in metas)


def _dom_5(node: Node) -> bool:
    return "contained" not in node or not any("security" in child.get("meta", {}) for child in node["contained"])


def _ext_1(node: Node) -> bool:
    return ("extension" in node) != _has_any(node, _EXTENSION_VALUE)


def _inv_1_task(node: Node) -> bool | None:
    authored, modified = node.get("authoredOn"), node.get("lastModified")
    return authored is None or modified is None or is_not_after(authored, modified)


def _inv_1_parameter(node: Node) -> bool:
    return ("part" in node) + ("resource" in node) + _has_any(node, _PARAMETER_VALUE) == 1


def _lst_2(node: Node) -> bool:
    return node.get("mode") == "changes" or not any(_has(entry, "deleted") for entry in node.get("entry", ()))


def _lst_3(node: Node) -> bool:
    return node.get("mode") == "working" or not any(_has(entry, "date") for entry in node.get("entry", ()))


def _obs_6(node: Node) -> bool:
    return "dataAbsentReason" not in node or not _has_any(node, _OBSERVATION_VALUE)


def _obs_7(node: Node) -> bool:
    if "component" not in node or not _has_any(node, _OBSERVATION_VALUE):
        return True
    codings = node["code"].get("coding", ())
    return not any(
        coding in codings for component in node["component"] for coding in component["code"].get("coding", ())
    )


def _per_1(node: Node) -> bool | None:
    start, end = node.get("start"), node.get("end")
    return start is None or end is None or is_not_after(start, end)


def _rat_1(node: Node) -> bool:
    if "numerator" in node or "denominator" in node:
        return "numerator" in node and "denominator" in node
    return "extension" in node


def _rng_2(node: Node) -> bool | None:
    low, high = node.get("low"), node.get("high")
    if low is None or high is None:
        return True
    by_code = all("code" in side for side in (low, high))
    names = ("system", "code") if by_code else ("unit",)
    if "value" not in low or "value" not in high or any(low.get(name) != high.get(name) for name in names):
        return None
    return bool(low["value"] <= high["value"])


def _tim_9(node: Node) -> bool:
    meals = {"C", "CM", "CD", "CV"}
    return not _has(node, "offset") or (_has(node, "when") and meals.isdisjoint(node.get("when", ())))


def _trd_3(node: Node) -> bool:
    kind = node.get("type", "")
    if kind == "named-event":
        return _has(node, "name")
    if kind == "periodic":
        return _has_any(node, _TRIGGER_TIMING)
    return not kind.startswith("data-") or "data" in node


def _cpb_3(node: Node) -> bool:
    has_endpoint = any("endpoint" in messaging for messaging in node.get("messaging", ()))
    return not has_endpoint or node.get("kind") == "instance"


INVARIANT_CHECKS: dict[str, HoldsFor] = {
    "age-1": _age_1,
    "att-1": lambda node: not _has(node, "data") or _has(node, "contentType"),
    "cmp-1": lambda node: "text" in node or "entry" in node or "section" in node,
    "cmp-2": lambda node: "emptyReason" not in node or "entry" not in node,
    "cnt-3": _cnt_3,
    "con-1": lambda node: "summary" in node or "assessment" in node,
    "con-2": lambda node: "code" in node or "detail" in node,
    "con-4": _con_4,
    "con-5": _con_5,
    "cpb-1": lambda node: "rest" in node or "messaging" in node or "document" in node,
    "cpb-2": lambda node: _has(node, "description") or "software" in node or "implementation" in node,
    "cpb-3": _cpb_3,
    "cpb-7": lambda node: _is_distinct((d.get("profile"), d.get("mode")) for d in node.get("document", ())),
    "cpb-9": lambda node: _is_distinct(r["type"] for r in node.get("resource", ()) if "type" in r),
    "cpb-12": lambda node: _is_distinct(p["name"] for p in node.get("searchParam", ()) if "name" in p),
    "cpb-14": lambda node: node.get("kind") != "instance" or "implementation" in node,
    "cpb-15": lambda node: (
        node.get("kind") != "capability" or ("implementation" not in node and "software" in node)
    ),
    "cpb-16": lambda node: (
        node.get("kind") != "requirements" or ("implementation" not in node and "software" not in node)
    ),
    "cpt-2": lambda node: not _has(node, "value") or _has(node, "system"),
    "dis-1": _is_ucum_with_code,
    "dom-2": _dom_2,
    "dom-4": _dom_4,
    "dom-5": _dom_5,
    "drq-1": lambda node: _has(node, "path") != _has(node, "searchParam"),
    "drq-2": lambda node: _has(node, "path") != _has(node, "searchParam"),
    "drt-1": _drt_1,
    "exp-1": lambda node: _has(node, "expression") or _has(node, "reference"),
    "ext-1": _ext_1,
    "inv-1": _inv_1_task,
    "inv-1@Parameters.parameter": _inv_1_parameter,
    "lst-1": lambda node: "emptyReason" not in node or "entry" not in node,
    "lst-2": _lst_2,
    "lst-3": _lst_3,
    "mad-1": lambda node: "dose" in node or _has_any(node, _RATE),
    "obs-3": lambda node: "low" in node or "high" in node or _has(node, "text"),
    "obs-6": _obs_6,
    "obs-7": _obs_7,
    "org-1": lambda node: "identifier" in node or _has(node, "name"),
    "org-2": lambda node: node.get("use") != "home",
    "org-3": lambda node: node.get("use") != "home",
    "pat-1": lambda node: any(name in node for name in ("name", "telecom", "address", "organization")),
    "per-1": _per_1,
    "prr-1": lambda node: "orderDetail" not in node or "code" in node,
    "qty-3": lambda node: not _has(node, "code") or _has(node, "system"),
    "rat-1": _rat_1,
    "rng-2": _rng_2,
    "sev-1": lambda node: not _has(node, "name") or not _has(node, "query"),
    "sqty-1": lambda node: not _has(node, "comparator"),
    "tim-1": lambda node: not _has(node, "duration") or _has(node, "durationUnit"),
    "tim-2": lambda node: not _has(node, "period") or _has(node, "periodUnit"),
    "tim-4": lambda node: node.get("duration", 0) >= 0,
    "tim-5": lambda node: node.get("period", 0) >= 0,
    "tim-6": lambda node: not _has(node, "periodMax") or _has(node, "period"),
    "tim-7": lambda node: not _has(node, "durationMax") or _has(node, "duration"),
    "tim-8": lambda node: not _has(node, "countMax") or _has(node, "count"),
    "tim-9": _tim_9,
    "tim-10": lambda node: not _has(node, "timeOfDay") or not _has(node, "when"),
    "trd-1": lambda node: "data" not in node or not _has_any(node, _TRIGGER_TIMING),
    "trd-2": lambda node: "condition" not in node or "data" in node,
    "trd-3": _trd_3,
    "txt-1": has_only_allowed_elements,
    "txt-2": has_content,
}
"""What each invariant asks; a function of one element's value where the table hangs it on an element."""

CHECKED_ELSEWHERE: dict[str, str] = {
    "bdl-1": "bundle_rules",
    "bdl-2": "bundle_rules",
    "bdl-3": "bundle_rules",
    "bdl-4": "bundle_rules",
    "bdl-5": "bundle_rules",
    "bdl-7": "bundle_rules",
    "bdl-8": "bundle_rules",
    "bdl-9": "bundle_rules",
    "bdl-10": "bundle_rules",
    "bdl-11": "bundle_rules",
    "bdl-12": "bundle_rules",
    "dom-3": "references",
    "ele-1": "structure",
    "ref-1": "references",
}
"""Invariants that need more than their node to judge or to say where, with the module that holds them."""

NOT_CHECKED: dict[str, str] = {}
"""Error-severity invariants that nothing here checks, each with its reason; a test keeps this list complete."""
