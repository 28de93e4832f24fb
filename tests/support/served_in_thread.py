"""An ASGI application on a loopback port, served by a thread of the test's own process."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import uvicorn
from starlette.types import ASGIApp

_START_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class ServedTls:
    """The certificate of a server as PEM files, and the authority whose certificates clients must show, if any."""

    certificate: Path
    key: Path
    clients_from: Path | None = None


@contextmanager
def served(
    app: ASGIApp, port: int, *, lifespan: Literal["on", "off"] = "on", tls: ServedTls | None = None
) -> Iterator[None]:
    """Serve `app` at 127.0.0.1 until the context is left, its lifespan included.

    The protocol is the one written in Python and no proxy's headers are read, so that a fault can reach the socket.
    """
    config = uvicorn.Config(
        app,
        host="127.0.0.1",
        port=port,
        http="h11",
        interface="asgi3",
        ws="none",
        lifespan=lifespan,
        proxy_headers=False,
        access_log=False,
        log_config=None,
        timeout_graceful_shutdown=3,
        ssl_certfile=tls.certificate if tls else None,
        ssl_keyfile=tls.key if tls else None,
        ssl_ca_certs=str(tls.clients_from) if tls and tls.clients_from else None,
        ssl_cert_reqs=ssl.CERT_REQUIRED if tls and tls.clients_from else ssl.CERT_NONE,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, name=f"serves-{port}", daemon=True)
    thread.start()
    deadline = time.monotonic() + _START_SECONDS
    while not server.started:
        if not thread.is_alive() or time.monotonic() > deadline:
            raise RuntimeError("the application did not start")
        time.sleep(0.005)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join()
