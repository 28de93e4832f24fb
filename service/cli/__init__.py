"""The commands of resus-fhir, each of them in a module of its own that is imported when the command is called."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping, MutableMapping
from typing import Any, cast

import typer
from typer.core import TyperGroup

from service.pause_collection import collection_paused

_PLACES = {
    "serve": "service.cli.serve:serve_app",
    "deliver": "service.cli.serve:deliver_app",
    "demo": "service.cli.demo:demo_app",
    "token": "service.cli.token:token_app",
    "audit": "service.cli.audit:audit_app",
    "mappings": "service.cli.mappings:mappings_app",
    "destination": "service.cli.destination:destination_app",
    "delivery": "service.cli.delivery:delivery_app",
}
"""Where each command lies: module and application."""


class _ImportedOnDemand(Mapping[str, Any]):
    """The commands by their names; each is imported when it is looked up."""

    def __getitem__(self, name: str) -> Any:
        module, _, application = _PLACES[name].partition(":")
        with collection_paused():
            command = typer.main.get_command(getattr(importlib.import_module(module), application))
        command.name = name  # The help calls a group by its own name, which an application does not give it.
        return command

    def __iter__(self) -> Iterator[str]:
        return iter(_PLACES)

    def __len__(self) -> int:
        return len(_PLACES)


class CommandsOnDemand(TyperGroup):
    """Imports only the command that is called, so that none waits for what the others need."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands = cast(MutableMapping[str, Any], _ImportedOnDemand())


app = typer.Typer(
    cls=CommandsOnDemand,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Resuscitation events and device checks to FHIR R4, delivered exactly once, with an audit log. "
    "It documents; it gives no advice, is no medical device, and must not be used to decide treatment.",
)


@app.callback()
def of_the_service() -> None:
    """Have the commands be those of a group, though none is registered before it is asked for."""


def main() -> None:
    """Run the command line."""
    app()
