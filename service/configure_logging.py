"""Sets up the service's own log: one JSON object per line on standard error, never with a clinical value.

The web server and the embedded endpoint log through Python's own logging, as plain text.
"""

from __future__ import annotations

import contextlib
import sys
from typing import TextIO

import structlog


class OutlivingStream:
    """Writes to a stream as long as the stream takes it: a log without a reader must not stop the service."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text, or lose it."""
        with contextlib.suppress(OSError, ValueError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Send on what was written."""
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()


def configure_logging(stream: TextIO = sys.stderr) -> None:
    """Have the service's own log written to `stream`, one JSON object per line."""
    outliving: TextIO = OutlivingStream(stream)  # type: ignore[assignment]  # Only write and flush are used.
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.PrintLoggerFactory(outliving),
        cache_logger_on_first_use=True,
    )
