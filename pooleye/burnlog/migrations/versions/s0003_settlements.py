"""Contradictions between notes and photos, settled by hand."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

VERDICTS = "verdict IN ('note-right', 'photo-right', 'both-wrong', 'no-danger')"


def upgrade() -> None:
    op.create_table(
        "settlement",
        sa.Column("note_id", sa.Integer(), nullable=False),
        sa.Column("claimed", sa.JSON(), nullable=False),
        sa.Column("measured", sa.String(), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=True),
        sa.Column("why", sa.String(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(VERDICTS, name=op.f("ck_settlement_verdict")),
        sa.ForeignKeyConstraint(["note_id"], ["note.id"], name=op.f("fk_settlement_note_id_note")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_settlement")),
    )
    op.create_index(op.f("ix_settlement_note_id"), "settlement", ["note_id"])
