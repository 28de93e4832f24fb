"""YAML read so that every value still knows its file and line; the first step of loading mapping data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import yaml

from service.exact_json import ExactNumber
from service.problems import MappingFault, WrongMapping, gathered

Scalar = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Located:
    """A YAML value with its place: a scalar, a list of `Located`, or a dict of names to `Located`."""

    value: Any
    file: Path
    line: int

    def fault(self, reason: str) -> MappingFault:
        """Return a fault at this place."""
        return MappingFault(self.file, self.line, reason)

    def refuse(self, reason: str) -> NoReturn:
        """Raise WrongMapping for this place."""
        raise WrongMapping([self.fault(reason)])

    def holding(self, value: Any) -> Located:
        """Return another value at the same place."""
        return Located(value, self.file, self.line)

    def members(self) -> dict[str, Located]:
        """Return the members of a mapping; WrongMapping where it is something else."""
        if not isinstance(self.value, dict):
            self.refuse("a mapping (name: value) is wanted here")
        return self.value

    def items(self) -> list[Located]:
        """Return the items of a list; WrongMapping where it is something else."""
        if not isinstance(self.value, list):
            self.refuse("a list is wanted here")
        return self.value

    def text(self) -> str:
        """Return the text of a scalar; WrongMapping where it is something else."""
        if not isinstance(self.value, str):
            self.refuse("a text is wanted here (put it in quotes where it looks like a number)")
        return self.value

    def flag(self) -> bool:
        """Return a boolean; WrongMapping where it is something else."""
        if not isinstance(self.value, bool):
            self.refuse("true or false is wanted here")
        return self.value

    def number(self) -> float:
        """Return a number; WrongMapping where it is something else."""
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            self.refuse("a number is wanted here")
        return self.value

    def only(self, *names: str) -> dict[str, Located]:
        """Return the members of a mapping that may have no others than `names`."""
        members = self.members()
        faults = [
            place.fault(f"{name!r} is not known here; known are: {', '.join(names)}")
            for name, place in members.items()
            if name not in names
        ]
        if faults:
            raise WrongMapping(faults)
        return members

    def required(self, name: str) -> Located:
        """Return the member `name`; WrongMapping where it is absent."""
        member = self.members().get(name)
        if member is None:
            self.refuse(f"{name!r} is missing here")
        return member

    def plain(self) -> Any:
        """Return the value without places."""
        if isinstance(self.value, dict):
            return {name: member.plain() for name, member in self.value.items()}
        if isinstance(self.value, list):
            return [item.plain() for item in self.value]
        return self.value


Read = TypeVar("Read")


def read_each(places: Iterable[tuple[str, Located]], read: Callable[[str, Located], Read]) -> dict[str, Read]:
    """Return what `read` makes of each place, by its name; WrongMapping with the faults of all of them."""
    done: dict[str, Read] = {}
    faults: list[MappingFault] = []
    for name, place in places:
        with gathered(faults):
            done[name] = read(name, place)
    if faults:
        raise WrongMapping(faults)
    return done


def read_documents(documents: Iterable[Located], read: Callable[[Located], Read]) -> dict[str, Read]:
    """Return what `read` makes of each document, by the name of its file; WrongMapping as `read_each` does."""
    return read_each(((document.file.stem, document) for document in documents), lambda _name, place: read(place))


def _scalar(node: yaml.ScalarNode) -> Scalar:
    if node.style in ("'", '"', "|", ">"):
        return str(node.value)
    text = node.value
    match text:
        case "" | "null" | "~":
            return None
        case "true":
            return True
        case "false":
            return False
    return _number(text) if text[0] in "-0123456789" else str(text)


def _number(text: str) -> Scalar:
    """Return the number that `text` spells as YAML 1.2's JSON schema has it, else the text."""
    try:
        return int(text) if text.lstrip("-").isdecimal() else ExactNumber(text)
    except ValueError:
        return text


def _pairs(node: yaml.MappingNode, file: Path) -> Iterator[tuple[str, Located]]:
    seen: set[str] = set()
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            raise WrongMapping([MappingFault(file, line, "a name must be a plain text")])
        if key_node.value in seen:
            raise WrongMapping([MappingFault(file, line, f"{key_node.value!r} stands here twice")])
        seen.add(key_node.value)
        yield key_node.value, _located(value_node, file)


def _located(node: yaml.Node, file: Path) -> Located:
    line = node.start_mark.line + 1
    match node:
        case yaml.ScalarNode():
            return Located(_scalar(node), file, line)
        case yaml.SequenceNode():
            return Located([_located(item, file) for item in node.value], file, line)
        case yaml.MappingNode():
            return Located(dict(_pairs(node, file)), file, line)
    raise WrongMapping([MappingFault(file, line, "this YAML construct is not used here")])


def load_yaml(file: Path) -> Located:
    """Return the document in `file`, scalars as YAML 1.2's JSON schema reads them (`no` is a text).

    Raises WrongMapping with the line for YAML that cannot be read and for a name that stands twice.
    """
    try:
        node = yaml.compose(file.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise WrongMapping([MappingFault(file, line, f"not YAML: {error.problem}")]) from error
    except OSError as error:
        raise WrongMapping([MappingFault(file, 1, f"cannot be read: {error.strerror}")]) from error
    if node is None:
        raise WrongMapping([MappingFault(file, 1, "the file is empty")])
    return _located(node, file)
