"""The table of docs/servers.md: one column for each server, its rows what the suite tries and finds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from tests.support.delivery_servers import SERVERS
from tests.support.server_probes import PROBES, ask_server
from tests.support.validation_page import read_block, table

PAGE = Path(__file__).parents[2] / "docs" / "servers.md"
BLOCK = "servers"
_STRATEGIES = "the delivery suite passes with"
_KEEPS = "after a `SIGKILL` it still has what it answered"
QUESTIONS = (_STRATEGIES, *PROBES, _KEEPS)

Column = Mapping[str, str]


def measure_column(name: str, base_url: str) -> Column:
    """Return what the server of that name, which runs at `base_url`, answers to each of the QUESTIONS."""
    kind = SERVERS[name]
    answers = ask_server(base_url)
    strategies = ", ".join(f"`{strategy.value}`" for strategy in kind.strategies)
    # What these two say is shown by the suite itself, which runs with them.
    return {_STRATEGIES: strategies, **answers, _KEEPS: "yes" if kind.keeps else "no, it is in memory only"}


def read_column(page: str, name: str) -> Column:
    """Return the column of a server as the page has it; KeyError where it has none."""
    lines = [line.strip("| ").split(" | ") for line in read_block(page, BLOCK).splitlines()]
    header, _, *rows = lines
    if name not in header:
        raise KeyError(name)
    return {row[0]: row[header.index(name)] for row in rows}


def show_columns(columns: Mapping[str, Column]) -> str:
    """Return the table."""
    rows = ([question, *(column[question] for column in columns.values())] for question in QUESTIONS)
    return table(("what is tried", *columns), rows)
