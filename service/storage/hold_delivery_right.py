"""The right to deliver from a store, which one process has at a time."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def hold_delivery_right(store_file: Path) -> Iterator[bool]:
    """Try to take the right to deliver from a store; yield whether this process has it, until the end.

    The operating system takes the right back when the process ends, however it ends, so a killed process
    leaves nothing behind that would have to expire.
    """
    with store_file.with_name(store_file.name + ".delivering").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
