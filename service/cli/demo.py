"""The command `resus-fhir demo`: shows on a made-up case what the service does."""

from __future__ import annotations

import asyncio
from typing import Annotated

import typer

from service.demo import run_demo

demo_app = typer.Typer(add_completion=False)


@demo_app.command(name="demo")
def demo_command(
    *,
    once: Annotated[bool, typer.Option("--once", help="Stop when the demonstration is over.")] = False,
    port: Annotated[int, typer.Option(help="Port to listen on; 0 chooses a free one.", min=0, max=65535)] = 0,
) -> None:
    """Start a service, post an invented case to it, deliver and audit the case, and print what happened."""
    raise typer.Exit(asyncio.run(run_demo(once=once, port=port, say=typer.echo)))
