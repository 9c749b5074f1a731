"""Stills of a burst name the first of them, which bears their result."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("photo", sa.Column("burst_of", sa.String(), nullable=True))
