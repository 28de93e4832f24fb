"""The checking stage's second reader: fhir.resources' models read the bytes that would be sent.

The models are R4B's (4.3.0), structurally the same as R4 for what is sent; where they differ, the table in
check_resource.py decides. They see no bindings, reference targets or invariants: a second opinion, no gate.
What they read is thrown away, since their serialiser changes digits and fractions of seconds.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from typing import cast

from pydantic import BaseModel, ValidationError

from service.checking.table import PRIMITIVES, RESOURCE_TYPES, TYPES
from service.records.finding import Finding

_LONGEST_NAME = 64
_WITHOUT_MODEL = frozenset(("Resource", "SimpleQuantity"))
"""Any resource at all, and a profile, which the models know as Quantity."""


def get_fhir_model_class(name: str) -> type[BaseModel]:
    """Return the model of a type; the library is imported with the first, which need not be at the start."""
    library = importlib.import_module("fhir.resources.R4B")
    return cast(type[BaseModel], library.get_fhir_model_class(name))


def read_with_models(kind: str, body: bytes) -> list[Finding]:
    """Return what fhir.resources' R4B model of a type objects to in the bytes of a resource, each as rule `model`.

    An empty list says that the model read every element. Never raises: an unknown type and a failure of the
    library are findings too. No message repeats a value.
    """
    if kind not in RESOURCE_TYPES:
        return [Finding("model", "Resource", "The resourceType is not one that the models know.")]
    try:
        model = get_fhir_model_class(kind)
    except (ValueError, LookupError, ImportError):
        return [Finding("model", "Resource", "The resourceType is not one that the models know.")]
    try:
        model.model_validate_json(body)
    except ValidationError as error:
        return [
            Finding("model", _path(kind, problem["loc"]), f"The model refuses this: {problem['type']}.")
            for problem in error.errors(include_url=False, include_context=False, include_input=False)
        ]
    except Exception as error:  # Whatever a foreign library throws is its verdict, not a fault of ours.
        return [Finding("model", kind, f"The model could not read the resource: {type(error).__name__}.")]
    return []


def warm_up(kinds: Iterable[str]) -> None:
    """Build the models of `kinds` and of every type in them now, so that no first resource waits for it.

    Raises KeyError for a name that is no resource type of the table.
    """
    waiting, seen = list(kinds), set[str]()
    while waiting:
        name = waiting.pop()
        if name in seen or name.startswith("@") or name in PRIMITIVES or name in _WITHOUT_MODEL:
            continue
        seen.add(name)
        waiting.extend(kind for element in TYPES[name].elements for kind in element.types)
        class_name = "".join(step[0].upper() + step[1:] for step in name.split("."))
        try:
            get_fhir_model_class(class_name).model_validate({})
        except ValidationError:
            # Nothing is valid without its elements; the model is built all the same.
            continue


def _path(kind: str, location: tuple[int | str, ...]) -> str:
    """Return the FHIRPath location that pydantic's tuple of names and places stands for."""
    path = kind
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
        elif step.isascii() and step.isidentifier() and len(step) <= _LONGEST_NAME:
            path += f".{step}"
        else:
            # A name that no model knows was the client's own; it is not repeated.
            break
    return path
