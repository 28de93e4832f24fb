"""first tables"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "audit_entries",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("actor", sa.String(length=200), nullable=False),
        sa.Column("case_id", sa.String(length=64), nullable=True),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_audit_entries")),
        sa.UniqueConstraint("previous_hash", name=op.f("uq_audit_entries_previous_hash")),
    )
    with op.batch_alter_table("audit_entries", schema=None) as batch_op:
        batch_op.create_index("ix_audit_entries_action", ["action", "number"], unique=False)
        batch_op.create_index("ix_audit_entries_case", ["case_id", "number"], unique=False)

    op.create_table(
        "batches",
        sa.Column("batch_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("strategy", sa.String(length=20), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_batches")),
    )
    op.create_table(
        "cases",
        sa.Column("case_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("actor", sa.String(length=200), nullable=False),
        sa.Column("received_at", sa.String(length=27), nullable=False),
        sa.Column("opened_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("case_id", "version", name=op.f("pk_cases")),
    )
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.create_index("ix_cases_current", ["current", "case_id"], unique=False)

    op.create_table(
        "checks",
        sa.Column("device_id", sa.String(length=64), nullable=False),
        sa.Column("check_id", sa.String(length=64), nullable=False),
        sa.Column("checked_at", sa.String(length=27), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("outcome", sa.String(length=32), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("answer", sa.LargeBinary(), nullable=False),
        sa.Column("actor", sa.String(length=200), nullable=False),
        sa.Column("received_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("device_id", "check_id", name=op.f("pk_checks")),
    )
    with op.batch_alter_table("checks", schema=None) as batch_op:
        batch_op.create_index("ix_checks_newest", ["device_id", "checked_at"], unique=False)

    op.create_table(
        "clock_readings",
        sa.Column("clock", sa.String(length=64), nullable=False),
        sa.Column("origin", sa.String(length=200), nullable=False),
        sa.Column("device_at", sa.String(length=27), nullable=False),
        sa.Column("reference_at", sa.String(length=27), nullable=False),
        sa.Column("precision_seconds", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("clock", "origin", name=op.f("pk_clock_readings")),
    )
    op.create_table(
        "delivery_waits",
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("after_id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("delivery_id", "after_id", name=op.f("pk_delivery_waits")),
    )
    with op.batch_alter_table("delivery_waits", schema=None) as batch_op:
        batch_op.create_index("ix_delivery_waits_after", ["after_id"], unique=False)

    op.create_table(
        "devices",
        sa.Column("device_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("registered", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("received_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("device_id", name=op.f("pk_devices")),
    )
    op.create_table(
        "events",
        sa.Column("case_id", sa.String(length=64), nullable=False),
        sa.Column("event_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("current", sa.Integer(), nullable=False),
        sa.Column("retracted", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("clock", sa.String(length=64), nullable=True),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("answer", sa.LargeBinary(), nullable=False),
        sa.Column("actor", sa.String(length=200), nullable=False),
        sa.Column("received_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("case_id", "event_id", "version", name=op.f("pk_events")),
    )
    with op.batch_alter_table("events", schema=None) as batch_op:
        batch_op.create_index("ix_events_case_current", ["case_id", "current", "kind"], unique=False)
        batch_op.create_index("ix_events_clock", ["clock", "current"], unique=False)

    op.create_table(
        "refused_bodies",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_refused_bodies")),
    )
    op.create_table(
        "remote_ids",
        sa.Column("resource_type", sa.String(length=40), nullable=False),
        sa.Column("resource_id", sa.String(length=64), nullable=False),
        sa.Column("remote_id", sa.String(length=64), nullable=False),
        sa.Column("remote_version", sa.String(length=64), nullable=True),
        sa.PrimaryKeyConstraint("resource_type", "resource_id", name=op.f("pk_remote_ids")),
    )
    op.create_table(
        "resources",
        sa.Column("resource_type", sa.String(length=40), nullable=False),
        sa.Column("resource_id", sa.String(length=64), nullable=False),
        sa.Column("case_id", sa.String(length=64), nullable=True),
        sa.Column("device_id", sa.String(length=64), nullable=True),
        sa.Column("record", sa.String(length=140), nullable=False),
        sa.Column("rule", sa.String(length=140), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("resource_type", "resource_id", name=op.f("pk_resources")),
    )
    with op.batch_alter_table("resources", schema=None) as batch_op:
        batch_op.create_index("ix_resources_case", ["case_id"], unique=False)
        batch_op.create_index("ix_resources_record", ["record"], unique=False)

    op.create_table(
        "deliveries",
        sa.Column("delivery_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("lane", sa.String(length=80), nullable=False),
        sa.Column("case_id", sa.String(length=64), nullable=True),
        sa.Column("device_id", sa.String(length=64), nullable=True),
        sa.Column("record", sa.String(length=140), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_attempt_at", sa.String(length=27), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=True),
        sa.Column("alone", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("entries", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.String(length=27), nullable=False),
        sa.Column("settled_at", sa.String(length=27), nullable=True),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.batch_id"], name=op.f("fk_deliveries_batches")),
        sa.PrimaryKeyConstraint("delivery_id", name=op.f("pk_deliveries")),
    )
    with op.batch_alter_table("deliveries", schema=None) as batch_op:
        batch_op.create_index("ix_deliveries_case", ["case_id", "state"], unique=False)
        batch_op.create_index("ix_deliveries_state", ["state", "lane", "delivery_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("deliveries", schema=None) as batch_op:
        batch_op.drop_index("ix_deliveries_state")
        batch_op.drop_index("ix_deliveries_case")

    op.drop_table("deliveries")
    with op.batch_alter_table("resources", schema=None) as batch_op:
        batch_op.drop_index("ix_resources_record")
        batch_op.drop_index("ix_resources_case")

    op.drop_table("resources")
    op.drop_table("remote_ids")
    op.drop_table("refused_bodies")
    with op.batch_alter_table("events", schema=None) as batch_op:
        batch_op.drop_index("ix_events_clock")
        batch_op.drop_index("ix_events_case_current")

    op.drop_table("events")
    op.drop_table("devices")
    with op.batch_alter_table("delivery_waits", schema=None) as batch_op:
        batch_op.drop_index("ix_delivery_waits_after")

    op.drop_table("delivery_waits")
    op.drop_table("clock_readings")
    with op.batch_alter_table("checks", schema=None) as batch_op:
        batch_op.drop_index("ix_checks_newest")

    op.drop_table("checks")
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.drop_index("ix_cases_current")

    op.drop_table("cases")
    op.drop_table("batches")
    with op.batch_alter_table("audit_entries", schema=None) as batch_op:
        batch_op.drop_index("ix_audit_entries_case")
        batch_op.drop_index("ix_audit_entries_action")

    op.drop_table("audit_entries")
