"""Asks the servers again and writes the table of docs/servers.md: python -m tests.support.write_servers_page.

Needs what `.ci/interop-setup` brings. What comes out is to be read as a diff; the tests compare and never write.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.support.delivery_servers import SERVERS, StartedServers
from tests.support.servers_page import BLOCK, PAGE, measure_column, show_columns
from tests.support.validation_page import replace_blocks


def main() -> None:
    """Write the table."""
    with TemporaryDirectory() as folder, StartedServers(Path(folder)) as servers:
        columns = {name: measure_column(name, servers.running(name).base_url) for name in SERVERS}
    table = show_columns(columns)
    PAGE.write_text(replace_blocks(PAGE.read_text(encoding="utf-8"), {BLOCK: table}), encoding="utf-8")


if __name__ == "__main__":
    main()
