"""lanes with their leases; what the second reader has read"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "lanes",
        sa.Column("lane", sa.String(length=80), nullable=False),
        sa.Column("waiting", sa.Integer(), nullable=False),
        sa.Column("first_id", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.String(length=27), nullable=False),
        sa.Column("look_at", sa.String(length=27), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=64), nullable=True),
        sa.Column("lease_until", sa.String(length=27), nullable=True),
        sa.PrimaryKeyConstraint("lane", name=op.f("pk_lanes")),
    )
    op.create_index("ix_lanes_first", "lanes", ["waiting", "first_id"], unique=False)
    op.create_index("ix_lanes_added", "lanes", ["waiting", "added_at"], unique=False)
    op.add_column("deliveries", sa.Column("read_twice", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("deliveries", sa.Column("answered_errors", sa.Integer(), nullable=False, server_default="0"))
    op.execute(
        "INSERT INTO lanes (lane, waiting, first_id, added_at, look_at, changes) "
        "SELECT lane, 1, min(delivery_id), max(created_at), min(created_at), 0 "
        "FROM deliveries WHERE state = 'waiting' GROUP BY lane"
    )


def downgrade() -> None:
    op.drop_column("deliveries", "answered_errors")
    op.drop_column("deliveries", "read_twice")
    op.drop_index("ix_lanes_added", "lanes")
    op.drop_index("ix_lanes_first", "lanes")
    op.drop_table("lanes")
