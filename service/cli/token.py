"""The command `resus-fhir token`: makes what a caller proves itself with."""

from __future__ import annotations

from typing import Annotated

import typer

from service.web.authenticate import Scope, new_token, token_digest

token_app = typer.Typer(add_completion=False)


@token_app.command(name="token")
def token_command(
    name: Annotated[str, typer.Argument(help="Who will use it; this name is written to the audit log.")],
    scope: Annotated[list[Scope], typer.Option(help="What it allows; can be given several times.")],
) -> None:
    """Make a token. Print it once, and print the lines for the file that RESUS_TOKENS names."""
    fresh = new_token()
    typer.echo(f"The token, shown once: {fresh}", err=True)
    scopes = ", ".join(sorted({one.value for one in scope}))
    typer.echo(f"- name: {name}\n  scopes: [{scopes}]\n  sha256: {token_digest(fresh)}")
