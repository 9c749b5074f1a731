"""Claims read from notes, findings, spacing of lit candles."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("burn", sa.Column("spacing_mm", sa.Double(), nullable=True))
    op.create_table(
        "finding",
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("candle_id", sa.Integer(), nullable=True),
        sa.Column("burn_id", sa.Integer(), nullable=True),
        sa.Column("checkpoint_id", sa.Integer(), nullable=True),
        sa.Column("trial_id", sa.Integer(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["burn_id"], ["burn.id"], name=op.f("fk_finding_burn_id_burn")),
        sa.ForeignKeyConstraint(["candle_id"], ["candle.id"], name=op.f("fk_finding_candle_id_candle")),
        sa.ForeignKeyConstraint(["checkpoint_id"], ["checkpoint.id"], name=op.f("fk_finding_checkpoint_id_checkpoint")),
        sa.ForeignKeyConstraint(["trial_id"], ["trial.id"], name=op.f("fk_finding_trial_id_trial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_table(
        "claim",
        sa.Column("note_id", sa.Integer(), nullable=False),
        sa.Column("reader", sa.String(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("where", sa.String(), nullable=True),
        sa.Column("superseded", sa.Boolean(), nullable=False),
        sa.Column("hedged", sa.Boolean(), nullable=False),
        sa.Column("words", sa.String(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["note_id"], ["note.id"], name=op.f("fk_claim_note_id_note")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claim")),
        sa.UniqueConstraint("note_id", "reader", "place", name=op.f("uq_claim_note_id_reader_place")),
    )
