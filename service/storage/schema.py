"""The tables of the store; the migrations build exactly these, which a test holds against each other.

Bodies are kept as the bytes that were taken or made. Moments are texts in UTC with microseconds
(`service.records.instants.stamp`), so that they sort as text in every database.
"""

from __future__ import annotations

from sqlalchemy import (
    Column,
    Float,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

cases = Table(
    "cases",
    metadata,
    Column("case_id", String(64), nullable=False),
    Column("version", Integer, nullable=False),
    Column("current", Integer, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("content_hash", String(64), nullable=False),
    Column("actor", String(200), nullable=False),
    Column("received_at", String(27), nullable=False),
    Column("opened_at", String(27), nullable=False),
    PrimaryKeyConstraint("case_id", "version"),
)
Index("ix_cases_current", cases.c.current, cases.c.case_id)

events = Table(
    "events",
    metadata,
    Column("case_id", String(64), nullable=False),
    Column("event_id", String(64), nullable=False),
    Column("version", Integer, nullable=False),
    Column("current", Integer, nullable=False),
    Column("retracted", Integer, nullable=False),
    Column("kind", String(64), nullable=False),
    Column("clock", String(64), nullable=True),
    Column("stamped_at", String(27), nullable=False, server_default=text("''")),
    Column("order_at", String(27), nullable=False, server_default=text("''")),
    Column("documents", String(64), nullable=True),
    Column("content", LargeBinary, nullable=False),
    Column("content_hash", String(64), nullable=False),
    Column("answer", LargeBinary, nullable=False),
    Column("actor", String(200), nullable=False),
    Column("received_at", String(27), nullable=False),
    PrimaryKeyConstraint("case_id", "event_id", "version"),
)
Index("ix_events_order", events.c.case_id, events.c.kind, events.c.current, events.c.retracted, events.c.order_at)
Index("ix_events_clock", events.c.clock, events.c.current, events.c.stamped_at)
Index("ix_events_documents", events.c.case_id, events.c.documents)

devices = Table(
    "devices",
    metadata,
    Column("device_id", String(64), nullable=False),
    Column("version", Integer, nullable=False),
    Column("registered", Integer, nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("content_hash", String(64), nullable=False),
    Column("received_at", String(27), nullable=False),
    PrimaryKeyConstraint("device_id"),
)

checks = Table(
    "checks",
    metadata,
    Column("device_id", String(64), nullable=False),
    Column("check_id", String(64), nullable=False),
    Column("checked_at", String(27), nullable=False),
    Column("content", LargeBinary, nullable=False),
    Column("content_hash", String(64), nullable=False),
    Column("outcome", String(32), nullable=False),
    Column("reasons", Text, nullable=False),
    Column("answer", LargeBinary, nullable=False),
    Column("actor", String(200), nullable=False),
    Column("received_at", String(27), nullable=False),
    PrimaryKeyConstraint("device_id", "check_id"),
)
Index("ix_checks_newest", checks.c.device_id, checks.c.checked_at)

clock_readings = Table(
    "clock_readings",
    metadata,
    Column("clock", String(64), nullable=False),
    Column("origin", String(200), nullable=False),
    Column("device_at", String(27), nullable=False),
    Column("reference_at", String(27), nullable=False),
    Column("precision_seconds", Float, nullable=False),
    PrimaryKeyConstraint("clock", "origin"),
)
Index("ix_clock_readings_order", clock_readings.c.clock, clock_readings.c.reference_at)
Index("ix_clock_readings_origin", clock_readings.c.origin)

clocks = Table(
    "clocks",
    metadata,
    Column("clock", String(64), nullable=False),
    Column("state", String(64), nullable=False),
    PrimaryKeyConstraint("clock"),
)

remakes = Table(
    "remakes",
    metadata,
    Column("remake_id", Integer, primary_key=True, autoincrement=True),
    Column("case_id", String(64), nullable=False),
    Column("clock", String(64), nullable=True),
    Column("after", String(27), nullable=False),
    Column("until", String(27), nullable=False),
    Column("actor", String(200), nullable=False),
)
Index("ix_remakes_case", remakes.c.case_id)

resources = Table(
    "resources",
    metadata,
    Column("resource_type", String(40), nullable=False),
    Column("resource_id", String(64), nullable=False),
    Column("case_id", String(64), nullable=True),
    Column("device_id", String(64), nullable=True),
    Column("record", String(140), nullable=False),
    Column("rule", String(140), nullable=False),
    Column("version", Integer, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("delivery_id", Integer, nullable=False),
    PrimaryKeyConstraint("resource_type", "resource_id"),
)
Index("ix_resources_case", resources.c.case_id)
Index("ix_resources_record", resources.c.record)

batches = Table(
    "batches",
    metadata,
    Column("batch_id", Integer, primary_key=True, autoincrement=True),
    Column("strategy", String(20), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("created_at", String(27), nullable=False),
    Column("left_out", Text, nullable=True),
)

deliveries = Table(
    "deliveries",
    metadata,
    Column("delivery_id", Integer, primary_key=True, autoincrement=True),
    Column("lane", String(80), nullable=False),
    Column("case_id", String(64), nullable=True),
    Column("device_id", String(64), nullable=True),
    Column("record", String(140), nullable=False),
    Column("state", String(12), nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_attempt_at", String(27), nullable=False),
    Column("batch_id", Integer, nullable=True),
    Column("alone", Integer, nullable=False),
    Column("last_error", Text, nullable=True),
    Column("outcome", Text, nullable=True),
    Column("entries", Integer, nullable=False),
    Column("size", Integer, nullable=False, server_default="0"),
    Column("created_at", String(27), nullable=False),
    Column("settled_at", String(27), nullable=True),
    Column("concerns", Text, nullable=True),
    Column("conflicts", Integer, nullable=False, server_default="0"),
    Column("read_twice", Integer, nullable=False, server_default="0"),
    Column("answered_errors", Integer, nullable=False, server_default="0"),
    ForeignKeyConstraint(["batch_id"], ["batches.batch_id"]),
)
Index("ix_deliveries_state", deliveries.c.state, deliveries.c.lane, deliveries.c.delivery_id)
Index("ix_deliveries_case", deliveries.c.case_id, deliveries.c.state)

delivery_bodies = Table(
    "delivery_bodies",
    metadata,
    # Apart from the deliveries' own rows, which are written again with every change of their state.
    Column("delivery_id", Integer, nullable=False, autoincrement=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("delivery_id"),
)

lanes = Table(
    "lanes",
    metadata,
    Column("lane", String(80), nullable=False),
    Column("waiting", Integer, nullable=False),
    Column("first_id", Integer, nullable=False),
    Column("added_at", String(27), nullable=False),
    Column("look_at", String(27), nullable=False),
    Column("changes", Integer, nullable=False),
    Column("holder", String(64), nullable=True),
    Column("lease_until", String(27), nullable=True),
    PrimaryKeyConstraint("lane"),
)
Index("ix_lanes_first", lanes.c.waiting, lanes.c.first_id)
Index("ix_lanes_added", lanes.c.waiting, lanes.c.added_at)

delivery_waits = Table(
    "delivery_waits",
    metadata,
    Column("delivery_id", Integer, nullable=False),
    Column("after_id", Integer, nullable=False),
    PrimaryKeyConstraint("delivery_id", "after_id"),
)
Index("ix_delivery_waits_after", delivery_waits.c.after_id)

remote_ids = Table(
    "remote_ids",
    metadata,
    Column("resource_type", String(40), nullable=False),
    Column("resource_id", String(64), nullable=False),
    Column("remote_id", String(64), nullable=False),
    Column("remote_version", String(64), nullable=True),
    PrimaryKeyConstraint("resource_type", "resource_id"),
)

read_backs = Table(
    "read_backs",
    metadata,
    Column("resource_type", String(40), nullable=False),
    Column("resource_id", String(64), nullable=False),
    Column("case_id", String(64), nullable=True),
    Column("result", String(8), nullable=False),
    Column("checked_at", String(27), nullable=False),
    PrimaryKeyConstraint("resource_type", "resource_id"),
)
Index("ix_read_backs_case", read_backs.c.case_id, read_backs.c.result)

audit_entries = Table(
    "audit_entries",
    metadata,
    Column("number", Integer, nullable=False, autoincrement=False),
    Column("recorded_at", String(27), nullable=False),
    Column("action", String(40), nullable=False),
    Column("actor", String(200), nullable=False),
    Column("case_id", String(64), nullable=True),
    Column("subject", String(200), nullable=False),
    Column("outcome", String(40), nullable=False),
    Column("detail", Text, nullable=False),
    Column("hash", String(64), nullable=False),
    Column("previous_hash", String(64), nullable=False),
    PrimaryKeyConstraint("number"),
    UniqueConstraint("previous_hash"),
)
Index("ix_audit_entries_case", audit_entries.c.case_id, audit_entries.c.number)
Index("ix_audit_entries_action", audit_entries.c.action, audit_entries.c.number)

refused_bodies = Table(
    "refused_bodies",
    metadata,
    Column("number", Integer, nullable=False, autoincrement=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("number"),
)
