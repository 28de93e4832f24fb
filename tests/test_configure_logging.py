"""The log is JSON, and a reader that has gone away costs nothing but the lines."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator

import pytest
import structlog

from service.configure_logging import configure_logging


@pytest.fixture(autouse=True)
def _reset() -> Iterator[None]:
    yield
    structlog.reset_defaults()


def test_each_line_is_one_json_object() -> None:
    stream = io.StringIO()
    configure_logging(stream)
    structlog.get_logger().info("taken", case_id="c-1")
    assert json.loads(stream.getvalue()) | {"timestamp": ""} == {
        "event": "taken",
        "case_id": "c-1",
        "level": "info",
        "timestamp": "",
    }


class _GoneReader(io.StringIO):
    def write(self, _text: str) -> int:
        raise BrokenPipeError


def test_a_reader_that_has_gone_does_not_stop_the_caller() -> None:
    configure_logging(_GoneReader())
    structlog.get_logger().info("taken")


def test_a_closed_stream_does_not_stop_the_caller() -> None:
    stream = io.StringIO()
    configure_logging(stream)
    stream.close()
    structlog.get_logger().info("taken")
