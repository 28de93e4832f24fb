"""Where the data that ships with the service lies: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parent


def data_folder(name: str) -> Path:
    """Return the folder `mappings` or `examples` of this installation."""
    inside_wheel = _PACKAGE / "data" / name
    return inside_wheel if inside_wheel.is_dir() else _PACKAGE.parent / name
