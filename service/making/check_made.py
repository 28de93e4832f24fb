"""Checks made resources against FHIR R4 before anything of them is kept."""

from __future__ import annotations

from collections.abc import Iterable

from service.checking.check_resource import check_resource
from service.making.record_resource import RecordResource
from service.problems import Code, Invalid, Problem


def check_made(made: Iterable[RecordResource]) -> None:
    """Check every resource against FHIR R4; Invalid with a problem for each error that is found."""
    problems = [
        Problem(
            Code.INVALID_RESOURCE,
            "",
            f"{finding.path}: {finding.message}",
            "a resource that FHIR R4 (4.0.1) allows",
            rule=f"{resource.made.rule} {finding.rule}",
        )
        for resource in made
        for finding in check_resource(resource.made.body)
        if finding.severity == "error"
    ]
    if problems:
        raise Invalid(problems)
