"""Strategies for everything that a client may send, made from the mapping data alone: no kind is written here.

A field's strategy follows from its type, bounds, table and units, so a kind or an item that is added to the
mapping data is generated from then on without a change here; a field type that is new is refused by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any, TypeVar

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.internal.conjecture import providers

from service.exact_json import ExactNumber, read_json, write_json
from service.vocabulary.code_tables import CodeTable
from service.vocabulary.fields import FieldDefinition, is_open
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape
from service.vocabulary.yaml_tree import Located

FIXED_SEED = 20311

ODD_TEXTS = (
    "x",
    "0",
    "null",
    "Łódź \u2013 \u201cquoted\u201d, 'single', \\back\\slash",
    'a "b" & <c> </div> <script>alert(1)</script>',
    "line one\nline two\r\n\tindented",
    " leading and trailing ",
    "no\u00a0break \u2028 separators \u2029 and \u200b zero width",
    "\u05d0\u05d1 and \u0627\u0644\u0639 run from right to left",
    "\U0001f493 heart, \U00010348 beyond the plane, e\u0301 composed",
    "\ufeffmark first",
    "\u202eoverride that nothing ends",
    "${jndi} %s %n {0} <patient> $ref #/ ../",
    "{{template}} | pipe | *star* _under_ `tick` [link](x)",
)
"""Texts that software of all kinds stumbles over; each is legal in JSON and in a FHIR string."""

LONG_TEXT = "The quick brown fox jumps over the lazy dog. "

OWN_SYSTEMS = (
    "urn:example:hospital:codes",
    "urn:oid:2.16.840.1.113883.19.5",
    "urn:uuid:4b6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d",
    "https://codes.hospital.example/list?version=1&part=%20a#x",
    "http://loinc.org",
    "http://snomed.info/sct",
)
"""Systems that a client's own codings may name; HL7's validator can look up none of them offline."""

OWN_CODES = ("x", "A-1", "local code 7", "é/ü|ß", "410429000", "0")

UNITS_BEYOND_THE_LIST = ("10*3/uL", "kat/L", "mg/(24.h)", "[lb_av]", "umol/L", "{puff}", "mg{total}", "nL", "dm3")
"""UCUM codes that units.yaml does not name."""

_OFFSETS = (0, 60, -60, 330, -210, 765, -720, 840, -825)
"""Offsets from UTC in minutes, the half and the quarter hours, and both ends, among them."""


class WithoutConstants(providers.HypothesisProvider):
    """Hypothesis' own choices, but for the constants that it takes out of whatever source code is loaded.

    With those, one seed gives other records as soon as a line of the service changes or another test is loaded.
    """

    def _maybe_draw_constant(self, *_arguments: Any, **_named: Any) -> None:
        return None


BACKEND = "without-constants"
providers.AVAILABLE_PROVIDERS[BACKEND] = f"{__name__}.{WithoutConstants.__name__}"


Drawn = TypeVar("Drawn")
Test = TypeVar("Test", bound=Callable[..., Any])


def reproducible(count: int) -> Callable[[Test], Test]:
    """Return the decorator by which a test, under @given, sees the same `count` values in every run."""

    def decorate(test: Test) -> Test:
        limits = settings(
            backend=BACKEND,
            max_examples=count,
            database=None,
            deadline=None,
            phases=[Phase.explicit, Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        )
        decorated: Test = seed(FIXED_SEED)(limits(test))
        return decorated

    return decorate


def generate(strategy: st.SearchStrategy[Drawn], count: int) -> list[Drawn]:
    """Return `count` values of a strategy; the same ones in every run, whatever else is loaded."""
    found: list[Drawn] = []

    @reproducible(count)
    @given(strategy)
    def collect(value: Drawn) -> None:
        found.append(value)

    collect()
    return found


def _characters() -> st.SearchStrategy[str]:
    """Return any character that a FHIR string may hold: no half characters, and no controls but tab and line ends.

    Source: FHIR R4, datatypes, string (strings SHOULD not contain code points below 32 but 9, 10 and 13).
    """
    return st.one_of(
        st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]), st.sampled_from("\t\n\r")
    )


def texts(most: int) -> st.SearchStrategy[str]:
    """Return texts of up to `most` characters, odd and long ones among them, none of white space alone."""
    odd = st.sampled_from([text for text in ODD_TEXTS if len(text) <= most])
    longest = st.just((LONG_TEXT * (most // len(LONG_TEXT) + 1))[: most - 1] + ".")
    free = st.text(_characters(), min_size=1, max_size=min(most, 40))
    return st.one_of(odd, odd, longest, free.filter(lambda text: not text.isspace()))


def _literal(value: Decimal) -> int | ExactNumber:
    text = f"{value:f}"
    return int(text) if "." not in text else ExactNumber(text)


def _bounds(place: Located) -> tuple[Decimal, Decimal, set[Decimal]]:
    """Return the least and the greatest value that a field may have, and which of them lie outside."""
    members = place.members()
    held = {name: Decimal(str(members[name].number())) for name in _BOUND_NAMES if name in members}
    least = held.get("at_least", held.get("above", Decimal(-1_000_000)))
    most = held.get("at_most", held.get("below", Decimal(1_000_000)))
    return least, most, {held[name] for name in ("above", "below") if name in held}


_BOUND_NAMES = ("at_least", "at_most", "above", "below")


def numbers(place: Located) -> st.SearchStrategy[Any]:
    """Return numbers within the bounds at `place`, with zero to four decimals, trailing zeros kept."""
    least, most, outside = _bounds(place)
    ends = [end for end in (least, most) if end not in outside]
    drawn = [st.decimals(least, most, places=places) for places in (0, 0, 1, 2, 4)]
    free = st.one_of(drawn).filter(lambda value: value not in outside and least <= value <= most)
    return st.one_of(free, free, st.sampled_from(ends)).map(_literal) if ends else free.map(_literal)


def whole_numbers(place: Located) -> st.SearchStrategy[int]:
    """Return whole numbers within the bounds at `place`, both ends among them."""
    least, most, outside = _bounds(place)
    low, high = (int(end) + (step if end in outside else 0) for end, step in ((least, 1), (most, -1)))
    return st.one_of(st.integers(low, high), st.sampled_from([low, high]))


def _spelled(moment: datetime, fraction: str) -> str:
    text = moment.isoformat(timespec="seconds")
    clock, offset = (text[:-1], "Z") if text.endswith("Z") else (text[:19], text[19:])
    return clock + fraction + ("Z" if offset == "+00:00" else offset)


@st.composite
def instants(draw: st.DrawFn) -> str:
    """Return times with offset in the years that intake takes, fractions of a second in all lengths among them."""
    near = datetime(2031, 3, 2, 9, 2, 5, tzinfo=UTC) + timedelta(seconds=draw(st.integers(-86_400, 86_400)))
    far = draw(st.datetimes(datetime(1951, 1, 1), datetime(2198, 12, 31)))  # noqa: DTZ001 - the offset follows.
    moment = draw(st.sampled_from([near, near, near, far.replace(tzinfo=UTC)]))
    fraction = draw(st.sampled_from(["", "", "", ".5", ".120", ".000", ".123456", ".999999999"]))
    zone = timezone(timedelta(minutes=draw(st.sampled_from(_OFFSETS))))
    return _spelled(moment.astimezone(zone), fraction)


def _dates(_place: Located) -> st.SearchStrategy[str]:
    return st.one_of(
        st.dates(date(1900, 1, 1), date(2199, 12, 31)).map(date.isoformat), st.sampled_from(["2032-02-29"])
    )


def own_codings() -> st.SearchStrategy[dict[str, str]]:
    """Return codings of a client's own, with and without a display."""
    return st.fixed_dictionaries(
        {"system": st.sampled_from(OWN_SYSTEMS), "code": st.sampled_from(OWN_CODES)},
        optional={"display": texts(200)},
    )


def concepts(table: CodeTable, *, takes_more: bool) -> st.SearchStrategy[Any]:
    """Return the words of a code table, and what a client may send beside them."""
    words = st.sampled_from(list(table.concepts))
    own: list[st.SearchStrategy[Any]] = [own_codings(), texts(200).map(lambda text: {"text": text})]
    return st.one_of(words, words, words, *own, *([texts(200)] if takes_more else []))


def _concepts_of(field: FieldDefinition) -> st.SearchStrategy[Any]:
    assert field.table is not None
    return concepts(field.table, takes_more=is_open(field.place))


def _words_of(field: FieldDefinition) -> st.SearchStrategy[list[str]]:
    assert field.table is not None
    return st.lists(st.sampled_from(list(field.table.concepts)), min_size=1, max_size=5)


def _groups(field: FieldDefinition, vocabulary: Vocabulary) -> st.SearchStrategy[dict[str, Any]]:
    values = {name: field_values(part, vocabulary) for name, part in field.parts.items()}
    needed = {name for name, part in field.parts.items() if part.required}
    return st.fixed_dictionaries(
        {name: value for name, value in values.items() if name in needed},
        optional={name: value for name, value in values.items() if name not in needed},
    )


def _units(vocabulary: Vocabulary) -> st.SearchStrategy[str]:
    return st.sampled_from([*vocabulary.units.displays, *UNITS_BEYOND_THE_LIST])


def _quantities(place: Located) -> st.SearchStrategy[dict[str, Any]]:
    units = [unit.text() for unit in place.required("units").items()]
    return st.fixed_dictionaries({"value": numbers(place), "unit": st.sampled_from(units)})


def _persons() -> st.SearchStrategy[dict[str, str]]:
    return st.fixed_dictionaries({}, optional={"role": texts(200), "name": texts(200)})


def _identifiers() -> st.SearchStrategy[dict[str, str]]:
    return st.fixed_dictionaries({"system": st.sampled_from(OWN_SYSTEMS[:4]), "value": texts(200)})


def _patients() -> st.SearchStrategy[dict[str, Any]]:
    return st.one_of(
        st.fixed_dictionaries({"identifier": _identifiers()}),
        st.fixed_dictionaries({"unidentified": st.just(value=True), "label": texts(200)}),
    )


def samples() -> st.SearchStrategy[list[Any]]:
    """Return samples in mV with the digits of a converter, and null where nothing was measured."""
    fine = st.decimals(-1000, 1000, places=3)
    usual = st.integers(-2048, 2047).map(lambda step: Decimal(step) * 5 / 1000)
    sample = st.one_of(usual, usual, usual, fine).map(_literal)
    broken = st.lists(st.none() | sample, min_size=1, max_size=30)
    return st.one_of(st.lists(sample, min_size=1, max_size=60), broken)


def _leads(field: FieldDefinition) -> st.SearchStrategy[list[dict[str, Any]]]:
    assert field.table is not None
    lead = {"lead": concepts(field.table, takes_more=False), "samples_millivolts": samples()}
    return st.lists(st.fixed_dictionaries(lead), min_size=1, max_size=4)


def _observed_values(vocabulary: Vocabulary) -> st.SearchStrategy[Any]:
    value = st.one_of(st.integers(-1_000_000, 1_000_000), st.decimals(-1000, 1000, places=2).map(_literal))
    quantity = st.fixed_dictionaries({"value": value, "unit": _units(vocabulary)})
    return st.one_of(st.booleans(), texts(200), quantity, own_codings())


def _most(place: Located) -> int:
    members = place.members()
    return int(members["most"].number()) if "most" in members else 2000


def field_values(field: FieldDefinition, vocabulary: Vocabulary) -> st.SearchStrategy[Any]:
    """Return the values that a field may have; KeyError for a field type for which there is no strategy."""
    place = field.place
    makers: Mapping[str, Callable[[], st.SearchStrategy[Any]]] = {
        "text": lambda: texts(_most(place)),
        "boolean": st.booleans,
        "integer": lambda: whole_numbers(place),
        "number": lambda: numbers(place),
        "numbers": lambda: st.lists(numbers(place), min_size=1, max_size=20),
        "instant": instants,
        "date": lambda: _dates(place),
        "concept": lambda: _concepts_of(field),
        "words": lambda: _words_of(field),
        "unit": lambda: _units(vocabulary),
        "quantity": lambda: _quantities(place),
        "person": _persons,
        "coding": own_codings,
        "identifier": _identifiers,
        "patient": _patients,
        "samples": samples,
        "leads": lambda: _leads(field),
        "value": lambda: _observed_values(vocabulary),
        "group": lambda: _groups(field, vocabulary),
    }
    return makers[field.type]()


def _as_received(content: Any) -> Any:
    """Return a record as the service reads it from a body: numbers keep their digits."""
    return read_json(write_json(content))


def records(shape: RecordShape, vocabulary: Vocabulary) -> st.SearchStrategy[dict[str, Any]]:
    """Return records of one shape, every optional field present or absent, unknown ones stated at times."""
    fields = {name: field for name, field in shape.fields.items() if field.type != "names"}
    required = {name: field_values(field, vocabulary) for name, field in fields.items() if field.required}
    optional = {name: field_values(field, vocabulary) for name, field in fields.items() if not field.required}
    takes_unknowns = len(fields) < len(shape.fields)
    return _records(required, optional, sorted(vocabulary.elements) if takes_unknowns else [])


@st.composite
def _records(
    draw: st.DrawFn,
    required: Mapping[str, st.SearchStrategy[Any]],
    optional: Mapping[str, st.SearchStrategy[Any]],
    elements: list[str],
) -> dict[str, Any]:
    # Half of the records are nearly full: with each field drawn apart, few would ever be.
    share = draw(st.sampled_from([0.0, 0.3, 0.9, 1.0]))
    chosen = {name: values for name, values in optional.items() if _is_chosen(draw, share)}
    content = {name: draw(values) for name, values in {**required, **chosen}.items()}
    is_asked: bool = draw(st.booleans())
    if elements and is_asked:
        missing = [name for name in optional if name not in chosen]
        names = st.sampled_from([*missing, *missing, *elements])
        content["stated_unknown"] = draw(st.lists(names, max_size=5, unique=True))
    received: dict[str, Any] = _as_received(content)
    return received


def _is_chosen(draw: st.DrawFn, share: float) -> bool:
    return draw(st.integers(1, 100)) <= share * 100


def events(kind: str, vocabulary: Vocabulary) -> st.SearchStrategy[dict[str, Any]]:
    """Return events of one kind, as a client may send them."""
    return records(vocabulary.events[kind], vocabulary).map(lambda content: {**content, "kind": kind})


def checks(vocabulary: Vocabulary, least_items: int = 1) -> st.SearchStrategy[dict[str, Any]]:
    """Return device checks with `least_items` items or more, up to all that there are."""
    items = {name: records(shape, vocabulary) for name, shape in vocabulary.check_items.items()}
    return _checks(records(vocabulary.check, vocabulary), items, least_items)


@st.composite
def _checks(
    draw: st.DrawFn,
    checks_without_items: st.SearchStrategy[dict[str, Any]],
    items: Mapping[str, st.SearchStrategy[dict[str, Any]]],
    least_items: int,
) -> dict[str, Any]:
    names = draw(st.lists(st.sampled_from(sorted(items)), min_size=least_items, unique=True))
    return {**draw(checks_without_items), "items": {name: draw(items[name]) for name in names}}
