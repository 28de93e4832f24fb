"""events by their place on the timeline; the state of each clock; what is still to be made again"""

import json
from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "clocks",
        sa.Column("clock", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("clock", name=op.f("pk_clocks")),
    )
    op.create_table(
        "remakes",
        sa.Column("remake_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("case_id", sa.String(length=64), nullable=False),
        sa.Column("clock", sa.String(length=64), nullable=True),
        sa.Column("after", sa.String(length=27), nullable=False),
        sa.Column("until", sa.String(length=27), nullable=False),
        sa.Column("actor", sa.String(length=200), nullable=False),
        sa.PrimaryKeyConstraint("remake_id", name=op.f("pk_remakes")),
    )
    op.create_index("ix_remakes_case", "remakes", ["case_id"], unique=False)
    op.create_index("ix_clock_readings_order", "clock_readings", ["clock", "reference_at"], unique=False)
    op.create_index("ix_clock_readings_origin", "clock_readings", ["origin"], unique=False)
    op.add_column(
        "events", sa.Column("stamped_at", sa.String(length=27), nullable=False, server_default=sa.text("''"))
    )
    op.add_column(
        "events", sa.Column("order_at", sa.String(length=27), nullable=False, server_default=sa.text("''"))
    )
    op.add_column("events", sa.Column("documents", sa.String(length=64), nullable=True))
    _place_events()
    op.drop_index("ix_events_case_current", "events")
    op.drop_index("ix_events_clock", "events")
    op.create_index(
        "ix_events_order", "events", ["case_id", "kind", "current", "retracted", "order_at"], unique=False
    )
    op.create_index("ix_events_clock", "events", ["clock", "current", "stamped_at"], unique=False)
    op.create_index("ix_events_documents", "events", ["case_id", "documents"], unique=False)
    op.execute("INSERT INTO clocks (clock, state) SELECT DISTINCT clock, '' FROM clock_readings")
    # The corrected place of what a compared clock timed is found, case by case, once the service runs.
    op.execute(
        "INSERT INTO remakes (case_id, clock, after, until, actor)"
        " SELECT DISTINCT case_id, clock, '', '~', 'resus-fhir'"
        " FROM events WHERE current = 1 AND clock IN (SELECT clock FROM clocks)"
    )


def _place_events() -> None:
    """Put each event at the time that its client wrote."""
    connection = op.get_bind()
    events = sa.table("events", *(sa.column(name) for name in ("case_id", "event_id", "version", "content")))
    place = sa.text(
        "UPDATE events SET stamped_at = :stamped, order_at = :stamped, documents = :documents"
        " WHERE case_id = :case_id AND event_id = :event_id AND version = :version"
    )
    for case_id, event_id, version, content in connection.execute(sa.select(*events.c)).fetchall():
        read = json.loads(content)
        moment = datetime.fromisoformat(read["at"]).astimezone(UTC)
        stamped = moment.isoformat(timespec="microseconds").removesuffix("+00:00") + "Z"
        connection.execute(
            place,
            {
                "stamped": stamped,
                "documents": read.get("documents"),
                "case_id": case_id,
                "event_id": event_id,
                "version": version,
            },
        )


def downgrade() -> None:
    op.drop_index("ix_events_documents", "events")
    op.drop_index("ix_events_clock", "events")
    op.drop_index("ix_events_order", "events")
    op.drop_column("events", "documents")
    op.drop_column("events", "order_at")
    op.drop_column("events", "stamped_at")
    op.create_index("ix_events_clock", "events", ["clock", "current"], unique=False)
    op.create_index("ix_events_case_current", "events", ["case_id", "current", "kind"], unique=False)
    op.drop_index("ix_clock_readings_origin", "clock_readings")
    op.drop_index("ix_clock_readings_order", "clock_readings")
    op.drop_table("remakes")
    op.drop_table("clocks")
