"""Notes: what somebody wrote to a visit for its report, every version of it; an index by visit."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table of notes, and find the captures of a visit by an index."""
    op.create_table(
        "note",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("saved_at", sa.String(length=32), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visit.key"], name=op.f("fk_note_visit")),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_note")),
    )
    op.create_index(op.f("ix_note_visit_saved_at"), "note", ["visit", "saved_at"])
    columns = ["visit", "replaced", "captured_at", "faults", "warnings"]
    op.create_index(op.f("ix_capture_" + "_".join(columns)), "capture", columns)
