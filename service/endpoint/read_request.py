"""What an HTTP request says before its interaction is known: base URL, media types, and a body of bearable size."""

from __future__ import annotations

from starlette.requests import Request

from service.endpoint.outcomes import refuse

FHIR_JSON = "application/fhir+json"
_JSON_RANGES = frozenset({"*/*", "application/*", "text/json", "application/json", FHIR_JSON, "json"})


def base_of(request: Request) -> str:
    """Return the URL below which the endpoint is mounted, as the client sees it, without a slash at its end."""
    root: str = request.scope.get("root_path", "")
    return f"{request.url.scheme}://{request.url.netloc}{root.rstrip('/')}"


def refuse_unless_json_is_wanted(request: Request) -> None:
    """Raise RefusalError (406) where neither `_format` nor Accept allows JSON of FHIR R4."""
    wanted = request.query_params.get("_format") or request.headers.get("accept") or "*/*"
    # A plus sign that was not escaped in a URL arrives as a space.
    if not any(_is_json(item.replace(" json", "+json")) for item in wanted.split(",")):
        raise refuse(406, "not-supported", f"This endpoint answers {FHIR_JSON} only.")


def refuse_unless_json_is_sent(request: Request) -> None:
    """Raise RefusalError (415) where Content-Type is not JSON of FHIR R4, or the body is compressed."""
    sent = request.headers.get("content-type", "")
    if not _is_json(sent) or "*" in sent:
        raise refuse(415, "not-supported", f"Send {FHIR_JSON}, with that as Content-Type.")
    if request.headers.get("content-encoding", "identity") != "identity":
        raise refuse(415, "not-supported", "Send the body uncompressed.")


def prefers_html(request: Request) -> bool:
    """Return whether a browser asks."""
    return "text/html" in request.headers.get("accept", "") and "_format" not in request.query_params


async def read_limited_body(request: Request, max_body_bytes: int) -> bytes:
    """Return the body; RefusalError (413) as soon as it is longer than `max_body_bytes`."""
    announced = request.headers.get("content-length", "")
    chunks: list[bytes] = []
    size = int(announced) if announced.isdigit() else 0
    if size <= max_body_bytes:
        size = 0
        async for chunk in request.stream():
            chunks.append(chunk)
            size += len(chunk)
            if size > max_body_bytes:
                break
    if size > max_body_bytes:
        raise refuse(413, "too-long", f"The body is longer than {max_body_bytes} bytes.")
    return b"".join(chunks)


def _is_json(media_type: str) -> bool:
    kind, *parameters = (part.strip().lower() for part in media_type.split(";"))
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name == "fhirversion" and value.strip('"') not in {"4.0", "4.0.1"}:
            return False
        if name == "q" and value in {"0", "0.0", "0.00", "0.000"}:
            return False
    return kind in _JSON_RANGES or kind.endswith("+json")
