"""Reads a mapping folder into its vocabulary, as the service does, for tests that need no more of it."""

from __future__ import annotations

from pathlib import Path

from service.vocabulary.load_vocabulary import Vocabulary, read_vocabulary
from service.vocabulary.mapping_data import read_mapping_data


def load_vocabulary(folder: Path) -> Vocabulary:
    """Return the vocabulary in `folder`; WrongMapping with file, line and reason of what is wrong in it."""
    return read_vocabulary(read_mapping_data(folder))
