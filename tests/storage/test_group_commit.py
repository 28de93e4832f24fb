"""The writer: what waits shares a commit, what raises is undone alone, and closing loses nothing that was taken."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.problems import Unavailable
from service.storage.group_commit import GroupCommitWriter


class Connection:
    """A SQLite file with one table of words, and a list of what was said to it about transactions."""

    def __init__(self, path: Path) -> None:
        self.plain = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        self.plain.execute("CREATE TABLE words (word TEXT UNIQUE)")
        self.said: list[str] = []

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        self._say("BEGIN IMMEDIATE")
        try:
            yield self.plain
            self._say("COMMIT")
        except BaseException:
            self._say("ROLLBACK")
            raise

    def _say(self, sql: str) -> None:
        self.plain.execute(sql)
        self.said.append(sql.partition(" ")[0])

    def words(self) -> list[str]:
        return [word for (word,) in self.plain.execute("SELECT word FROM words ORDER BY rowid")]


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[Connection]:
    made = Connection(tmp_path / "words.sqlite")
    yield made
    made.plain.close()


@pytest.fixture
def writer(connection: Connection) -> Iterator[GroupCommitWriter[sqlite3.Connection]]:
    made = GroupCommitWriter("writer", lambda: connection, (sqlite3.Error,))
    made.start()
    yield made
    made.close()


def adding(word: str) -> Callable[[sqlite3.Connection], str]:
    def add(connection: sqlite3.Connection) -> str:
        connection.execute("INSERT INTO words VALUES (?)", (word,))
        return word

    return add


def failing(connection: sqlite3.Connection) -> None:
    adding("bad")(connection)
    raise LookupError("this one fails")


async def all_together(
    writer: GroupCommitWriter[sqlite3.Connection], *units: Callable[[sqlite3.Connection], object]
) -> list[object]:
    """Return the results or exceptions of units that wait while the writer is held."""
    going, busy = threading.Event(), threading.Event()

    def hold(_connection: sqlite3.Connection) -> None:
        busy.set()
        assert going.wait(10)

    with ThreadPoolExecutor(1) as pool:
        held = pool.submit(writer.write_now, hold)
        assert await asyncio.to_thread(busy.wait, 10)
        waiting = asyncio.gather(*(writer.write(unit) for unit in units), return_exceptions=True)
        # Each of them begins before this one goes on.
        await asyncio.sleep(0)
        assert writer.waiting_count == len(units)
        going.set()
        results = await waiting
        held.result()
    return list(results)


def test_what_waits_shares_one_commit(
    writer: GroupCommitWriter[sqlite3.Connection], connection: Connection
) -> None:
    words = [f"w{number}" for number in range(20)]
    assert asyncio.run(all_together(writer, *map(adding, words))) == words
    assert connection.words() == words
    assert connection.said == ["BEGIN", "COMMIT"] * 2, "one for the unit that held the writer, one for the twenty"


def test_what_raises_is_undone_alone_and_its_exception_reaches_its_caller(
    writer: GroupCommitWriter[sqlite3.Connection], connection: Connection
) -> None:
    first, bad, twice, last = asyncio.run(
        all_together(writer, adding("first"), failing, adding("first"), adding("last"))
    )
    assert (first, last) == ("first", "last")
    assert isinstance(bad, LookupError)
    assert isinstance(twice, Unavailable)
    assert connection.words() == ["first", "last"]


def test_without_a_connection_nothing_is_run_and_everyone_is_told(connection: Connection) -> None:
    tried: list[None] = []
    is_there = True

    def connect() -> Connection:
        if not is_there:
            tried.append(None)
            raise OSError("nobody answers")
        return connection

    writer: GroupCommitWriter[sqlite3.Connection] = GroupCommitWriter("writer", connect, (sqlite3.Error,))

    async def lose_it() -> list[object]:
        def lose(_connection: sqlite3.Connection) -> None:
            nonlocal is_there
            is_there = False

        await writer.write(lose)
        return await asyncio.gather(*(writer.write(adding(f"w{n}")) for n in range(50)), return_exceptions=True)

    writer.start()
    results = asyncio.run(lose_it())
    writer.close()
    assert all(isinstance(result, Unavailable) for result in results)
    assert connection.words() == []
    assert len(tried) < 50, "who waits is told without an attempt of their own"


def test_what_was_taken_before_closing_is_committed_and_nothing_is_taken_afterwards(
    connection: Connection,
) -> None:
    writer: GroupCommitWriter[sqlite3.Connection] = GroupCommitWriter(
        "writer", lambda: connection, (sqlite3.Error,)
    )
    writer.start()
    taken: list[str] = []

    def write(number: int) -> None:
        for count in range(10_000):
            try:
                taken.append(writer.write_now(adding(f"{number}-{count}")))
            except Unavailable:
                return

    with ThreadPoolExecutor(4) as pool:
        writing = [pool.submit(write, number) for number in range(4)]
        while len(taken) < 100:
            pass
        assert writer.close()
        for each in writing:
            each.result(10)
    assert sorted(connection.words()) == sorted(taken)
    assert not writer.close()
