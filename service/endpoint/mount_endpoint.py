"""Where the endpoint hangs in a larger application: at a path, with and without a slash at its end."""

from __future__ import annotations

from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send


def routes_at(path: str, endpoint: ASGIApp) -> list[BaseRoute]:
    """Return the routes that serve `endpoint` at `path`, which begins with a slash and does not end with one.

    A mount alone answers `path` itself with a redirection, which a client that posts a Bundle to its base URL
    need not follow.
    """
    return [Route(path, _AtItsBase(endpoint, path), methods=None), Mount(path, endpoint)]


class _AtItsBase:
    """The endpoint, asked at exactly its base URL."""

    def __init__(self, endpoint: ASGIApp, path: str) -> None:
        self._endpoint = endpoint
        self._path = path

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        inner = {
            **scope,
            "root_path": scope.get("root_path", "") + self._path,
            "path": scope["path"] + "/",
            "path_params": {},
        }
        await self._endpoint(inner, receive, send)
