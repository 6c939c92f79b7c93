"""Editions: the order in which carrier tables and receive chains were saved, and what each was made from."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table of editions, and find the results of a table or chain by an index."""
    op.create_table(
        "edition",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(length=5), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("parent", sa.String(length=64), nullable=True),
        sa.Column("saved_at", sa.String(length=32), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_edition")),
    )
    op.create_index(op.f("ix_edition_kind_sha256"), "edition", ["kind", "sha256"])
    op.create_index(op.f("ix_result_plan_made_at"), "result", ["plan", "made_at"])
    op.create_index(op.f("ix_result_chain_made_at"), "result", ["chain", "made_at"])
