"""Asks the servers again and writes the table of docs/servers.md: python -m tests.support.write_servers_page.

Needs what `.ci/interop-setup` brings. What comes out is to be read as a diff; the tests compare and never write.
"""

from __future__ import annotations

from tests.support.delivery_servers import SERVERS
from tests.support.servers_page import BLOCK, PAGE, measure_column, show_columns
from tests.support.validation_page import replace_blocks


def main() -> None:
    """Write the table."""
    table = show_columns({name: measure_column(name) for name in SERVERS})
    PAGE.write_text(replace_blocks(PAGE.read_text(encoding="utf-8"), {BLOCK: table}), encoding="utf-8")


if __name__ == "__main__":
    main()
