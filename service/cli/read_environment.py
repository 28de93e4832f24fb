"""Reads the settings for a command from the environment, or ends the command with what is wrong."""

from __future__ import annotations

import os
from typing import NoReturn

import typer

from service.settings import Settings, WrongSettings, read_settings


def stop(message: str) -> NoReturn:
    """End the command with exit status 2 and a message on standard error."""
    typer.echo(message, err=True)
    raise typer.Exit(2)


def settings_or_stop() -> Settings:
    """Return the settings; the command ends where they cannot be used."""
    try:
        return read_settings(os.environ)
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
