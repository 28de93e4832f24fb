"""Writes answers: JSON with every digit as it was taken, and problem details (RFC 9457) for every refusal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.responses import Response

from service.exact_json import write_json
from service.problems import Problem

PROBLEM_JSON = "application/problem+json"
PROBLEM_TYPES = "https://resus-fhir.example/problems/"


def json_answer(body: Mapping[str, Any], status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return a JSON response."""
    return Response(write_json(body), status_code=status, media_type="application/json", headers=headers)


def version_header(record: Mapping[str, Any]) -> Mapping[str, str] | None:
    """Return the header that names the version of a record (RFC 9110, 8.8.3), where it has one."""
    return {"ETag": f'"{record["version"]}"'} if "version" in record else None


def problem_body(problems: Sequence[Problem]) -> dict[str, Any]:
    """Return the problem details of a refusal: the first problem's status and title, and all problems."""
    facts = problems[0].code.facts
    count = len(problems)
    return {
        "type": PROBLEM_TYPES + facts.code,
        "title": facts.title,
        "status": facts.status,
        "detail": problems[0].message if count == 1 else f"{count} things are wrong; `problems` lists each of them",
        "problems": [problem.as_json() for problem in problems],
    }


def problem_answer(problems: Sequence[Problem], headers: Mapping[str, str] | None = None) -> Response:
    """Return the response for a refusal."""
    body = problem_body(problems)
    return Response(write_json(body), status_code=body["status"], media_type=PROBLEM_JSON, headers=headers)
