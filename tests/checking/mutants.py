"""Spoils good resources at random places in random ways; the same seed always spoils them alike."""

from __future__ import annotations

import random
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from tests.checking.good_resources import GOOD_KINDS, Resource, good_resource

REPLACEMENTS: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    2**31,
    1.5,
    "",
    " ",
    "x",
    "two words",
    "1",
    "true",
    "2031",
    "2031-02-30",
    "2031-13",
    "2031-03-02T10:00:00",
    "2031-03-02T10:00:00Z",
    "10:00:00",
    "final",
    "Patient/1",
    "patient/1",
    "#x",
    "urn:uuid:x",
    "aGFsbG8=",
    "a===",
    "urn:oid:1.2.3",
    "http://example.org/x y",
    [],
    {},
    [None],
    [[]],
    [{}],
    ["x"],
    {"id": "x"},
    {"text": "x"},
    {"reference": "Patient/1"},
    {"value": 1},
    {"unknown": 1},
    {"resourceType": "Patient"},
)
"""What any value may be replaced with: JSON of every kind, right in some places and wrong in others."""

NAMES = (
    "id",
    "_id",
    "text",
    "status",
    "_status",
    "value",
    "valueString",
    "_valueString",
    "valueBoolean",
    "code",
    "system",
    "extension",
    "modifierExtension",
    "contained",
    "reference",
    "resource",
    "resourceType",
    "start",
    "x",
)
"""Names that a member may be given."""


def _containers(node: Any) -> Iterator[Any]:
    if isinstance(node, dict | list):
        if node:
            yield node
        for child in node.values() if isinstance(node, dict) else node:
            yield from _containers(child)


def _replacement(chance: random.Random) -> Any:
    # A copy, since the next change may fall inside it.
    return deepcopy(chance.choice(REPLACEMENTS))


def spoil(resource: Resource, chance: random.Random) -> None:
    """Change `resource` in one place."""
    container = chance.choice(list(_containers(resource)))
    if isinstance(container, list):
        _spoil_array(container, chance)
    else:
        _spoil_object(container, chance)


def _spoil_array(array: list[Any], chance: random.Random) -> None:
    place = chance.randrange(len(array))
    match chance.randrange(4):
        case 0:
            array[place] = _replacement(chance)
        case 1:
            array.append(_replacement(chance))
        case 2:
            array.append(deepcopy(array[place]))
        case _:
            del array[place]


def _spoil_object(members: dict[str, Any], chance: random.Random) -> None:
    name = chance.choice(list(members))
    match chance.randrange(6):
        case 0 | 1:
            members[name] = _replacement(chance)
        case 2:
            del members[name]
        case 3:
            members[chance.choice(NAMES)] = members.pop(name)
        case 4:
            value = members[name]
            members[name] = value[0] if isinstance(value, list) and value else [value]
        case _:
            members[chance.choice(NAMES)] = _replacement(chance)


def mutants(seed: int, count: int) -> Iterator[Resource]:
    """Yield `count` resources, each a good one spoiled in one or two places; some stay right by luck."""
    # The choice must be the same in every run; nothing here is secret.
    chance = random.Random(seed)  # noqa: S311
    for _ in range(count):
        resource = good_resource(chance.choice(GOOD_KINDS))
        for _ in range(chance.choice((1, 1, 2))):
            if resource:
                spoil(resource, chance)
        yield resource
