"""Keys of forms sent from phones, so that one sent again is not kept twice."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sent_form",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sent_form")),
        sa.UniqueConstraint("key", name=op.f("uq_sent_form_key")),
    )
