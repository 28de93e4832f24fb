"""what the read-back found, what an outcome concerns, what a batch left out"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "read_backs",
        sa.Column("resource_type", sa.String(length=40), nullable=False),
        sa.Column("resource_id", sa.String(length=64), nullable=False),
        sa.Column("case_id", sa.String(length=64), nullable=True),
        sa.Column("result", sa.String(length=8), nullable=False),
        sa.Column("checked_at", sa.String(length=27), nullable=False),
        sa.PrimaryKeyConstraint("resource_type", "resource_id", name=op.f("pk_read_backs")),
    )
    op.create_index("ix_read_backs_case", "read_backs", ["case_id", "result"], unique=False)
    op.add_column("batches", sa.Column("left_out", sa.Text(), nullable=True))
    op.add_column("deliveries", sa.Column("concerns", sa.Text(), nullable=True))
    op.add_column("deliveries", sa.Column("conflicts", sa.Integer(), nullable=False, server_default="0"))


def downgrade() -> None:
    op.drop_column("deliveries", "conflicts")
    op.drop_column("deliveries", "concerns")
    op.drop_column("batches", "left_out")
    op.drop_index("ix_read_backs_case", "read_backs")
    op.drop_table("read_backs")
