"""First release."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table of the first release."""
    op.create_table(
        "blob",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_blob")),
    )
    op.create_table(
        "visit",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("folder", sa.Text(), nullable=False),
        sa.Column("vessel", sa.Text(), nullable=True),
        sa.Column("terminal", sa.Text(), nullable=True),
        sa.Column("head", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_visit")),
    )
    op.create_table(
        "capture",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("entry", sa.String(length=64), nullable=False),
        sa.Column("raw_key", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("visit", sa.String(length=64), nullable=True),
        sa.Column("captured_at", sa.String(length=32), nullable=True),
        sa.Column("vessel", sa.Text(), nullable=True),
        sa.Column("terminal", sa.Text(), nullable=True),
        sa.Column("context", sa.LargeBinary(), nullable=False),
        sa.Column("replaced", sa.Boolean(), nullable=False),
        sa.Column("result", sa.String(length=64), nullable=True),
        sa.Column("verdict", sa.String(length=16), nullable=True),
        sa.Column("satellite", sa.Text(), nullable=True),
        sa.Column("polarisation", sa.String(length=1), nullable=True),
        sa.Column("lo_state", sa.Text(), nullable=True),
        sa.Column("lo_error_hz", sa.Double(), nullable=True),
        sa.Column("lo_error_std_hz", sa.Double(), nullable=True),
        sa.Column("carriers", sa.Integer(), nullable=False),
        sa.Column("faults", sa.Integer(), nullable=False),
        sa.Column("warnings", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visit.key"], name=op.f("fk_capture_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_capture")),
        sa.UniqueConstraint("key", name=op.f("uq_capture_key")),
    )
    op.create_index(op.f("ix_capture_captured_at_id"), "capture", ["captured_at", "id"], unique=False)
    op.create_index(op.f("ix_capture_entry"), "capture", ["entry"], unique=False)
    op.create_index(op.f("ix_capture_raw_key"), "capture", ["raw_key"], unique=False)
    op.create_index(op.f("ix_capture_satellite_captured_at"), "capture", ["satellite", "captured_at"], unique=False)
    op.create_index(op.f("ix_capture_terminal_captured_at"), "capture", ["terminal", "captured_at"], unique=False)
    op.create_index(op.f("ix_capture_verdict_captured_at"), "capture", ["verdict", "captured_at"], unique=False)
    op.create_index(op.f("ix_capture_vessel_captured_at"), "capture", ["vessel", "captured_at"], unique=False)
    op.create_table(
        "chain",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["blob"], ["blob.sha256"], name=op.f("fk_chain_blob")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_chain")),
    )
    op.create_table(
        "plan",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["blob"], ["blob.sha256"], name=op.f("fk_plan_blob")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_plan")),
    )
    op.create_table(
        "carrier",
        sa.Column("capture", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("centre_hz", sa.Double(), nullable=False),
        sa.Column("rf_hz", sa.Double(), nullable=True),
        sa.Column("symbol_rate_bd", sa.Double(), nullable=True),
        sa.Column("cn_db", sa.Double(), nullable=True),
        sa.Column("row", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["capture"], ["capture.id"], name=op.f("fk_carrier_capture")),
        sa.PrimaryKeyConstraint("capture", "position", name=op.f("pk_carrier")),
    )
    op.create_index(op.f("ix_carrier_centre_hz"), "carrier", ["centre_hz"], unique=False)
    op.create_index(op.f("ix_carrier_rf_hz"), "carrier", ["rf_hz"], unique=False)
    op.create_table(
        "finding",
        sa.Column("capture", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("answer", sa.String(length=12), nullable=False),
        sa.ForeignKeyConstraint(["capture"], ["capture.id"], name=op.f("fk_finding_capture")),
        sa.PrimaryKeyConstraint("capture", "position", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_code_capture"), "finding", ["code", "capture"], unique=False)
    op.create_table(
        "raw",
        sa.Column("capture", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["blob"], ["blob.sha256"], name=op.f("fk_raw_blob")),
        sa.ForeignKeyConstraint(["capture"], ["capture.id"], name=op.f("fk_raw_capture")),
        sa.PrimaryKeyConstraint("capture", "position", name=op.f("pk_raw")),
    )
    op.create_table(
        "result",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("capture", sa.Integer(), nullable=False),
        sa.Column("software", sa.Text(), nullable=False),
        sa.Column("made_at", sa.String(length=32), nullable=False),
        sa.Column("plan", sa.String(length=64), nullable=True),
        sa.Column("chain", sa.String(length=64), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["capture"], ["capture.id"], name=op.f("fk_result_capture")),
        sa.ForeignKeyConstraint(["chain"], ["chain.sha256"], name=op.f("fk_result_chain")),
        sa.ForeignKeyConstraint(["plan"], ["plan.sha256"], name=op.f("fk_result_plan")),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_result")),
    )
    op.create_index(op.f("ix_result_capture"), "result", ["capture"], unique=False)
