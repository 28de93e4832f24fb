"""Writes the pages of docs/ that are made from the mapping data; a house test holds each against the data.

`python -m tests.support.write_vocabulary_pages` writes docs/event-kinds.md, check-items.md, completeness.md,
plausibility.md and codes.md again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from service.making.stages import Stages, load_stages
from service.vocabulary.code_tables import Coding
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape
from service.vocabulary.template_language import (
    FixedCode,
    ListNode,
    ObjectNode,
    ResourceNode,
    TemplateNode,
    TemplateReader,
    TextNode,
)
from service.vocabulary.yaml_tree import load_yaml

DOCS = Path(__file__).parents[2] / "docs"
_MADE = (
    "<!-- Made by `uv run python -m tests.support.write_vocabulary_pages` from mappings/; change the data, then"
    " make the page again. -->"
)
_BOUND_WORDS = {"above": "above", "at_least": "at least", "at_most": "at most", "below": "below"}


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ").replace("<", "&lt;").strip()


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield "| " + " | ".join(_cell(value) for value in row) + " |"
    yield ""


def condition_in_words(condition: Any) -> str:
    """Return a condition of the mapping data as a reader would say it."""
    match condition:
        case {"present": name}:
            return f"`{name}` has a value"
        case {"absent": name}:
            return f"`{name}` has no value"
        case {"all": parts}:
            return " and ".join(_nested(part) for part in parts)
        case {"any": parts}:
            return " or ".join(_nested(part) for part in parts)
        case {"not": part}:
            return f"not ({condition_in_words(part)})"
        case {"field": name, "differs_from": other, "by_more_than": number, "and_percent": percent}:
            return f"`{name}` differs from `{other}` by more than {number} and by more than {percent} per cent"
        case {"field": name, "in": values}:
            return f"`{name}` is one of {', '.join(_value(value) for value in values)}"
        case {"field": name, "before": other}:
            return f"`{name}` is before `{other}`"
        case {"field": name, "is": value}:
            return f"`{name}` is {_value(value)}"
        case {"field": name, **rest} if len(rest) == 1:
            ((form, bound),) = rest.items()
            return f"`{name}` is {_BOUND_WORDS[str(form)]} {_value(bound)}"
    raise ValueError(f"this condition has no words yet: {condition!r}")


def _nested(condition: Any) -> str:
    words = condition_in_words(condition)
    return f"({words})" if isinstance(condition, dict) and {"all", "any"} & condition.keys() else words


def _value(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(getattr(value, "literal", value))


def _field_type(field: FieldDefinition) -> str:
    members = field.place.plain()
    if field.table is not None:
        several = "several of " if field.type == "words" else ""
        return f"{several}[{field.table.name}](codes.md#{field.table.name})"
    bounds = [f"{words} {_value(members[name])}" for name, words in _BOUND_WORDS.items() if name in members]
    if field.type == "text":
        bounds.append(f"at most {_value(members.get('most', 2000))} characters")
    if "units" in members:
        bounds.append("in " + " or ".join(members["units"]))
    return field.type + (f" ({', '.join(bounds)})" if bounds else "")


def _field_rows(fields: Mapping[str, FieldDefinition], group: str = "") -> Iterator[tuple[str, str, str, str]]:
    for field in fields.values():
        yield (
            f"`{group}{field.name}`" + (" (required)" if field.required else ""),
            _field_type(field),
            field.unit or "",
            field.says,
        )
        yield from _field_rows(field.parts, f"{field.name}.")


def _fixed_codes(node: TemplateNode) -> Iterator[str]:
    """Yield the fixed codes in a template, as TABLE.CONCEPT."""
    match node:
        case ObjectNode():
            for member in node.members.values():
                yield from _fixed_codes(member)
        case ListNode():
            for item in node.items:
                yield from _fixed_codes(item)
        case TextNode():
            yield from (lookup.name for lookup in node.lookups if isinstance(lookup, FixedCode))


def _coding_text(coding: Coding) -> str:
    return f"{coding.system} {coding.code} “{coding.display}”"


def _resource_rows(resources: Iterable[ResourceNode]) -> Iterator[tuple[str, str, str]]:
    for resource in resources:
        reasons = [condition_in_words(resource.when.place.plain())] if resource.when is not None else []
        if resource.stands_on_components:
            reasons.append("one of its components has a value")
        yield f"`{resource.role}`", resource.resource_type, " and ".join(reasons) or "always"


def _code_rows(resources: Iterable[ResourceNode], vocabulary: Vocabulary) -> Iterator[tuple[str, ...]]:
    named: dict[str, None] = {}
    for resource in resources:
        for member in resource.members.values():
            named.update(dict.fromkeys(_fixed_codes(member)))
    for name in named:
        table, _, word = name.partition(".")
        concept = vocabulary.tables[table].concepts[word]
        for coding in concept.codings:
            yield f"`{name}`", _coding_text(coding), coding.source
        if not concept.codings:
            yield f"`{name}`", f"(text alone) {concept.text}", ""


def _shape_section(
    shape: RecordShape, vocabulary: Vocabulary, reader: TemplateReader, fields: Mapping[str, FieldDefinition]
) -> Iterator[str]:
    yield f"## {shape.name}"
    yield ""
    yield f"{shape.title}: {shape.says}"
    yield ""
    if fields:
        yield from _table(("field", "type", "unit (UCUM)", "meaning"), _field_rows(fields))
    else:
        yield "No fields beside the common ones."
        yield ""
    for rule in shape.place.plain().get("impossible", []):
        yield f"Refused where {condition_in_words(rule['when'])}: {rule['says']} (expected: {rule['expected']})."
        yield ""
    if shape.judgements:
        yield from _table(
            ("outcome", "reason", "where", "means", "source"),
            [
                (
                    rule["outcome"],
                    f"`{rule['reason']}`",
                    condition_in_words(rule["when"]),
                    rule["says"],
                    rule["source"],
                )
                for rule in shape.place.plain()["judgements"]
            ],
        )
    resources = reader.resources(shape.resources)
    yield from _table(("resource of the role", "type", "made where"), _resource_rows(resources))
    codes = list(_code_rows(resources, vocabulary))
    if codes:
        yield from _table(("concept", "code", "source"), codes)


def _page(lines: Iterable[str]) -> str:
    return "\n".join(lines).rstrip() + "\n"


def _event_kinds(vocabulary: Vocabulary, reader: TemplateReader) -> Iterator[str]:
    yield "# Event kinds"
    yield ""
    yield _MADE
    yield ""
    yield (
        "Each event carries the common fields and those of its kind. Only `id`, `kind` and `at` are required; what"
        " is missing is a [gap](completeness.md), never a refusal. A field whose type is a link takes a word of"
        " that code table, or a coding `{system, code, display}`, or `{text}`. The files in `mappings/events/` say"
        " how the resources are made; they are written in the [mapping language](mapping-language.md)."
    )
    yield ""
    yield "## Common fields"
    yield ""
    yield from _table(("field", "type", "unit (UCUM)", "meaning"), _field_rows(vocabulary.common_fields))
    for shape in vocabulary.events.values():
        own = {name: field for name, field in shape.fields.items() if name not in vocabulary.common_fields}
        yield from _shape_section(shape, vocabulary, reader, own)


def _check_items(vocabulary: Vocabulary, reader: TemplateReader) -> Iterator[str]:
    yield "# Items of a device check"
    yield ""
    yield _MADE
    yield ""
    yield (
        "A check lists the items that were checked. Each judgement that applies gives a reason, and the worst"
        " outcome counts: `ready`, `ready_with_fault` (usable, biomedical engineering must follow up) or"
        " `not_ready`. A site that decides otherwise uses an [overlay](mapping-language.md#a-sites-overlay)."
        " `FIELD.days_left` is the number of full days from the day of the check to a date. `offset_seconds` is"
        " the time of the device's clock minus the time of the reference clock."
    )
    yield ""
    yield "## The device"
    yield ""
    yield (
        "The hospital states what a device can do in `capabilities`, all of it optional. It is kept with the device"
        " and is not sent to the chart."
    )
    yield ""
    yield from _table(("field", "type", "unit (UCUM)", "meaning"), _field_rows(vocabulary.device.fields))
    yield "## The check itself"
    yield ""
    yield from _table(("field", "type", "unit (UCUM)", "meaning"), _field_rows(vocabulary.check.fields))
    for shape in vocabulary.check_items.values():
        yield from _shape_section(shape, vocabulary, reader, shape.fields)


def _completeness(stages: Stages, vocabulary: Vocabulary) -> Iterator[str]:
    yield "# Completeness rules"
    yield ""
    yield _MADE
    yield ""
    yield (
        "What a record should hold, and the question to ask where it does not. The rules are in"
        " `mappings/completeness.yaml`; its first lines explain their form. A field that is listed in an event's"
        " `stated_unknown` was asked for and is not known: its gap has the state `stated-unknown`."
    )
    yield ""
    raw = {rule["rule"]: rule for rule in load_yaml(vocabulary.folder / "completeness.yaml").plain()["rules"]}
    for rule in stages.rules.rules:
        members = raw[rule.name]
        yield f"## {rule.name}"
        yield ""
        yield f"`{rule.element}`, {rule.importance}. Ask: {rule.ask}"
        yield ""
        if "when" in members:
            yield f"- Asked for where {condition_in_words(members['when'])}."
        if "recorded_when" in members:
            yield f"- Counts as recorded where {condition_in_words(members['recorded_when'])}."
        if "conflict_when" in members:
            yield f"- A conflict where {condition_in_words(members['conflict_when'])}."
        if rule.not_before:
            yield f"- A conflict where it is before the first `{rule.not_before}`."
        if rule.not_after:
            yield f"- A conflict where it is after the last `{rule.not_after}`."
        yield f"- Source: {rule.source}"
        yield ""


def _plausibility(vocabulary: Vocabulary) -> Iterator[str]:
    yield "# Plausibility rules"
    yield ""
    yield _MADE
    yield ""
    yield (
        "Values that may be true and are unusual. A rule gives the warning [implausible](problems.md#implausible),"
        " which is kept with the event. It refuses nothing and is no advice on treatment. The rules are in"
        " `mappings/plausibility.yaml`; its first lines explain their form."
    )
    yield ""
    for rule in load_yaml(vocabulary.folder / "plausibility.yaml").plain()["rules"]:
        yield f"## {rule['rule']}"
        yield ""
        yield f"{', '.join(f'`{kind}`' for kind in rule['kinds'])}, at `{rule['field']}`: {rule['says']}."
        yield ""
        yield f"- Where {condition_in_words(rule['when'])}."
        yield f"- Usual: {rule['usual']}."
        yield f"- Source: {rule['source']}"
        yield ""


def _codes(vocabulary: Vocabulary) -> Iterator[str]:
    yield "# Code tables"
    yield ""
    yield _MADE
    yield ""
    yield (
        "The words that clients send and the codes that the chart receives. The source is a published file of a"
        " standards body in which the code and its display are; public copies of some of these files were used."
        " Where no such file was found, the source says so. The service does not check whether a code is active in"
        " the current release of its system. SNOMED CT, LOINC, ISO/IEEE 11073, RxNorm, ATC and UCUM have licences"
        " of their own."
    )
    yield ""
    for table in vocabulary.tables.values():
        yield f"## {table.name}"
        yield ""
        yield f"{table.title}."
        yield ""
        rows = [
            (f"`{concept.name}`", concept.text, _coding_text(coding), coding.source)
            for concept in table.concepts.values()
            for coding in concept.codings
        ]
        rows += [
            (f"`{concept.name}`", concept.text, "(text alone)", "")
            for concept in table.concepts.values()
            if not concept.codings
        ]
        yield from _table(("word", "text", "code", "source"), rows)


def make_pages() -> dict[str, str]:
    """Return the text of each page by the name of its file in docs/."""
    stages = load_stages("urn:example:pages")
    vocabulary = stages.vocabulary
    reader = TemplateReader(vocabulary.data.document("fragments.yaml").members(), [])
    return {
        "event-kinds.md": _page(_event_kinds(vocabulary, reader)),
        "check-items.md": _page(_check_items(vocabulary, reader)),
        "completeness.md": _page(_completeness(stages, vocabulary)),
        "plausibility.md": _page(_plausibility(vocabulary)),
        "codes.md": _page(_codes(vocabulary)),
    }


def main() -> None:
    """Write the pages."""
    for name, text in make_pages().items():
        (DOCS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
