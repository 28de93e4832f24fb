"""Reads the document completeness.yaml into rules, once, when the service starts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.completeness.case_facts import FACTS
from service.problems import MappingFault, WrongMapping
from service.records.assessment import Importance
from service.vocabulary.conditions import Condition, read_condition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class CompletenessRule:
    """One rule: which element is wanted, when, what counts as recorded, and what contradicts it.

    `kind` is None for an element of the case, `field` is None for a whole event. `recorded_when` replaces the
    plain question whether the field has a value, or whether there is an event of the kind.
    """

    name: str
    element: str
    kind: str | None
    field: str | None
    importance: Importance
    when: Condition | None
    recorded_when: Condition | None
    conflict_when: Condition | None
    not_before: str | None
    not_after: str | None
    ask: str
    source: str


@dataclass(frozen=True, slots=True)
class CompletenessRules:
    """All rules in the order of their file, and which rhythms are shockable."""

    rules: tuple[CompletenessRule, ...]
    shockable: Mapping[str, bool]


def load_rules(vocabulary: Vocabulary) -> CompletenessRules:
    """Return the rules in completeness.yaml, as they are in force beside `vocabulary`.

    Raises WrongMapping with file and line of everything in it that is not known: a kind, a field, a fact that a
    condition asks for, an importance, a member; and for a rule whose name stands twice.
    """
    rules: dict[str, CompletenessRule] = {}
    faults: list[MappingFault] = []
    document = vocabulary.data.document("completeness.yaml")
    document.only("rules")
    for place in document.required("rules").items():
        try:
            rule = _Reader(place, vocabulary).read()
        except WrongMapping as wrong:
            faults.extend(wrong.faults)
            continue
        if rule.name in rules:
            faults.append(place.required("rule").fault(f"the rule {rule.name!r} is here twice"))
        rules[rule.name] = rule
    if faults:
        raise WrongMapping(faults)
    return CompletenessRules(tuple(rules.values()), _shockable_rhythms(vocabulary))


def _shockable_rhythms(vocabulary: Vocabulary) -> dict[str, bool]:
    shape = vocabulary.events.get("rhythm_assessed")
    field = shape.fields.get("rhythm") if shape else None
    concepts = field.table.concepts if field and field.table else {}
    return {
        name: concept.attributes["shockable"]
        for name, concept in concepts.items()
        if "shockable" in concept.attributes
    }


class _Reader:
    """Reads one rule; it knows the names that may be used in it."""

    def __init__(self, place: Located, vocabulary: Vocabulary) -> None:
        self._place = place
        self._vocabulary = vocabulary
        self._kind: str | None = None
        self._field: str | None = None

    def read(self) -> CompletenessRule:
        members = self._place.only(
            "rule",
            "element",
            "importance",
            "when",
            "recorded_when",
            "conflict_when",
            "not_before",
            "not_after",
            "ask",
            "source",
        )
        element = self._place.required("element")
        self._read_element(element)
        if self._field is None and "when" in members:
            self._refuse_event_names(members["when"])
        if self._kind is None or self._field is None:
            for name in ("conflict_when", "not_before", "not_after"):
                if name in members:
                    members[name].refuse(f"{name!r} is allowed only with a field of an event (KIND.FIELD)")
        return CompletenessRule(
            name=self._place.required("rule").text(),
            element=element.text(),
            kind=self._kind,
            field=self._field,
            importance=self._importance(),
            when=self._condition(members, "when"),
            recorded_when=self._condition(members, "recorded_when"),
            conflict_when=self._condition(members, "conflict_when"),
            not_before=self._other_kind(members, "not_before"),
            not_after=self._other_kind(members, "not_after"),
            ask=self._place.required("ask").text(),
            source=self._place.required("source").text(),
        )

    def _read_element(self, element: Located) -> None:
        head, dot, tail = element.text().partition(".")
        if head == "case" and dot:
            if tail not in self._vocabulary.case.fields:
                element.refuse(f"a case has no field {tail!r}")
            self._field = tail
            return
        shape = self._vocabulary.events.get(head)
        if shape is None:
            element.refuse(f"there is no event kind {head!r}")
        if dot and tail not in shape.fields:
            element.refuse(f"an event of the kind {head!r} has no field {tail!r}")
        self._kind = head
        self._field = tail if dot else None

    def _importance(self) -> Importance:
        place = self._place.required("importance")
        match place.text():
            case "core":
                return "core"
            case "supplemental":
                return "supplemental"
        place.refuse("the importance is core or supplemental")

    def _other_kind(self, members: Mapping[str, Located], name: str) -> str | None:
        if name not in members:
            return None
        kind = members[name].text()
        if kind not in self._vocabulary.events:
            members[name].refuse(f"there is no event kind {kind!r}")
        return kind

    def _condition(self, members: Mapping[str, Located], name: str) -> Condition | None:
        if name not in members:
            return None
        condition = read_condition(members[name])
        unknown = sorted(asked for asked in condition.names if not self._is_known(asked))
        if unknown:
            members[name].refuse(f"a condition cannot ask for {', '.join(map(repr, unknown))} here")
        return condition

    def _is_known(self, name: str) -> bool:
        head, _, tail = name.partition(".")
        match head:
            case "case":
                return tail in self._vocabulary.case.fields
            case "event":
                return self._kind is not None and tail in self._vocabulary.events[self._kind].fields
            case "has":
                return tail in self._vocabulary.events or name in FACTS
        return name in FACTS

    def _refuse_event_names(self, place: Located) -> None:
        """Refuse a question about an event where the rule is asked before there is one."""
        if any(name.startswith("event.") for name in read_condition(place).names):
            place.refuse("the rule is about a whole event, so 'when' cannot ask for fields of it")
