"""deliveries of which nothing was to be sent; bodies apart from the rows that change"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "delivery_bodies",
        sa.Column("delivery_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("delivery_id", name=op.f("pk_delivery_bodies")),
    )
    op.execute("INSERT INTO delivery_bodies (delivery_id, body) SELECT delivery_id, body FROM deliveries")
    op.add_column("deliveries", sa.Column("size", sa.Integer(), nullable=False, server_default="0"))
    # What was settled without ever being in a Bundle was left out.
    op.execute("UPDATE deliveries SET size = length(body)")
    op.execute("UPDATE deliveries SET state = 'left-out' WHERE state = 'delivered' AND batch_id IS NULL")
    op.drop_column("deliveries", "body")


def downgrade() -> None:
    op.add_column("deliveries", sa.Column("body", sa.LargeBinary(), nullable=False, server_default=""))
    op.execute(
        "UPDATE deliveries SET body = "
        "(SELECT body FROM delivery_bodies WHERE delivery_bodies.delivery_id = deliveries.delivery_id)"
    )
    op.execute("UPDATE deliveries SET state = 'delivered' WHERE state = 'left-out'")
    op.drop_column("deliveries", "size")
    op.drop_table("delivery_bodies")
