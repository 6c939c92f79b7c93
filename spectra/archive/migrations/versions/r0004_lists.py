"""Lists: what they show and search stands ready, by visit and by capture."""

import sqlalchemy as sa
from alembic import op

from spectra.archive.lists import capture_words, role_of, sum_up_all
from spectra.archive.record import unpack

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_AT_ONCE = 2000


def upgrade() -> None:
    """Add the columns and the table, and fill them from what is stored."""
    op.add_column("capture", sa.Column("role", sa.String(length=16), nullable=True))
    op.add_column("capture", sa.Column("words", sa.Text(), nullable=False, server_default=""))
    op.create_table(
        "visit_list",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("captures", sa.Integer(), nullable=False),
        sa.Column("first_at", sa.String(length=32), nullable=True),
        sa.Column("last_at", sa.String(length=32), nullable=True),
        sa.Column("faults", sa.Integer(), nullable=False),
        sa.Column("warnings", sa.Integer(), nullable=False),
        sa.Column("last", sa.Integer(), nullable=True),
        sa.Column("verdict", sa.String(length=16), nullable=True),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visit.key"], name=op.f("fk_visit_list_visit")),
        sa.PrimaryKeyConstraint("visit", name=op.f("pk_visit_list")),
    )
    op.drop_index(op.f("ix_finding_code_capture"), table_name="finding")
    op.create_index(op.f("ix_finding_code_answer_capture"), "finding", ["code", "answer", "capture"])
    connection = op.get_bind()
    _fill(connection)
    op.drop_index(op.f("ix_capture_captured_at_id"), table_name="capture")
    op.create_index("ix_capture_list", "capture", ["captured_at", "id", "replaced", "words"])
    op.create_index(op.f("ix_capture_role_id"), "capture", ["role", "id"])
    op.create_index(op.f("ix_visit_list_last_at_visit"), "visit_list", ["last_at", "visit"])
    sum_up_all(connection)


def _fill(connection: sa.Connection) -> None:
    names = ("id", "name", "vessel", "terminal", "satellite", "context")
    capture = sa.table("capture", *(sa.column(name) for name in (*names, "role", "words")))
    query = sa.select(*(capture.c[name] for name in names)).order_by(capture.c.id).limit(_AT_ONCE)
    fill = sa.update(capture).where(capture.c.id == sa.bindparam("own"))
    fill = fill.values(role=sa.bindparam("new_role"), words=sa.bindparam("new_words"))
    last = -1
    while rows := connection.execute(query.where(capture.c.id > last)).all():
        last = rows[-1].id
        values = [
            {
                "own": row.id,
                "new_role": role_of(unpack(row.context)["context"]),
                "new_words": capture_words(row.name, row.vessel, row.terminal, row.satellite),
            }
            for row in rows
        ]
        connection.execute(fill, values)
