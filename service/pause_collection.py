"""Holds the garbage collector back where much is made at once and little of it is garbage."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collection_delayed() -> Iterator[None]:
    """Collect nothing meanwhile; what is garbage at the end is collected later.

    A unit of work makes tens of thousands of objects that are all in use until it ends: looking through them again
    and again costs up to half of its time.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


@contextmanager
def collection_paused() -> Iterator[None]:
    """Collect nothing meanwhile, and leave what is there at the end out of every later collection.

    Modules, models and compiled mappings stay until the process ends. Looking through them again and again takes
    a seventh of the start, and each later look through all of them would keep every request waiting.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was_enabled:
            gc.enable()
