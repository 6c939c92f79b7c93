"""The tables of an archive. A change here goes with a new file in ``migrations/versions`` and a new `HEAD`.

Times are text, RFC 3339 in UTC with a fixed number of digits: they sort as they stand, in every database. Large parts
(raw bytes, results) are compressed; what is searched for has columns and an index of its own.
"""

from __future__ import annotations

import sqlalchemy as sa

__all__ = [
    "BLOB",
    "CAPTURE",
    "CARRIER",
    "CHAIN",
    "EDITION",
    "FINDING",
    "HEAD",
    "METADATA",
    "NOTE",
    "PLAN",
    "RAW",
    "RESULT",
    "VISIT",
    "VISIT_LIST",
]

HEAD = "0004"
"""Revision that this version of the program reads and writes."""

METADATA = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

BLOB = sa.Table(
    "blob",
    METADATA,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("size", sa.Integer, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),  # zlib
)
"""Bytes as they were, by their SHA-256: sweep files, carrier tables, receive chains."""

PLAN = sa.Table(
    "plan",
    METADATA,
    sa.Column("sha256", sa.String(64), primary_key=True),  # of the content, see spectra.plan.content
    sa.Column("blob", sa.ForeignKey("blob.sha256"), nullable=False),
    sa.Column("file", sa.Text, nullable=False),
    sa.Column("rows", sa.Integer, nullable=False),
)
"""Carrier tables."""

CHAIN = sa.Table(
    "chain",
    METADATA,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("blob", sa.ForeignKey("blob.sha256"), nullable=False),
    sa.Column("file", sa.Text, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
)
"""Receive chains."""

EDITION = sa.Table(
    "edition",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("kind", sa.String(5), nullable=False),  # plan or chain
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Column("parent", sa.String(64)),  # what it was made from
    sa.Column("saved_at", sa.String(32), nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Index(None, "kind", "sha256"),
)
"""Carrier tables and receive chains in the order in which somebody saved them; the same content may come again."""

VISIT = sa.Table(
    "visit",
    METADATA,
    sa.Column("key", sa.String(64), primary_key=True),
    sa.Column("folder", sa.Text, nullable=False),
    sa.Column("vessel", sa.Text),
    sa.Column("terminal", sa.Text),
    sa.Column("head", sa.Text, nullable=False),  # JSON: head and limits
)
"""Visits, as their folder and ``visit.toml`` named them."""

NOTE = sa.Table(
    "note",
    METADATA,
    sa.Column("key", sa.String(64), primary_key=True),
    sa.Column("visit", sa.ForeignKey("visit.key"), nullable=False),
    sa.Column("saved_at", sa.String(32), nullable=False),
    sa.Column("body", sa.Text, nullable=False),  # JSON: texts, limits, attachments by the hash of their bytes
    sa.Index(None, "visit", "saved_at"),
)
"""What somebody wrote to a visit for its report, every version of it; the newest counts."""

CAPTURE = sa.Table(
    "capture",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("key", sa.String(64), nullable=False, unique=True),
    sa.Column("entry", sa.String(64), nullable=False, index=True),
    sa.Column("raw_key", sa.String(64), nullable=False, index=True),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("visit", sa.ForeignKey("visit.key"), nullable=True),
    sa.Column("captured_at", sa.String(32)),
    sa.Column("vessel", sa.Text),
    sa.Column("terminal", sa.Text),
    sa.Column("context", sa.LargeBinary, nullable=False),  # JSON, zlib: context, reading, stage
    sa.Column("replaced", sa.Boolean, nullable=False),  # the same raw sweep came again with another context
    sa.Column("result", sa.String(64)),  # key of the current result
    sa.Column("verdict", sa.String(16)),  # of the current result, for the list view
    sa.Column("satellite", sa.Text),
    sa.Column("polarisation", sa.String(1)),
    sa.Column("lo_state", sa.Text),
    sa.Column("lo_error_hz", sa.Double),
    sa.Column("lo_error_std_hz", sa.Double),
    sa.Column("carriers", sa.Integer, nullable=False),
    sa.Column("faults", sa.Integer, nullable=False),
    sa.Column("warnings", sa.Integer, nullable=False),
    sa.Column("role", sa.String(16)),  # of the context
    sa.Column("words", sa.Text, nullable=False, server_default=""),  # see spectra.archive.lists
    sa.Index("ix_capture_list", "captured_at", "id", "replaced", "words"),  # a search by word reads it alone
    sa.Index(None, "role", "id"),
    sa.Index(None, "visit", "replaced", "captured_at", "faults", "warnings"),  # lists sum up from it alone
    sa.Index(None, "vessel", "captured_at"),
    sa.Index(None, "terminal", "captured_at"),
    sa.Index(None, "satellite", "captured_at"),
    sa.Index(None, "verdict", "captured_at"),
)
"""Captures with their context and the summary of their current result."""

VISIT_LIST = sa.Table(
    "visit_list",
    METADATA,
    sa.Column("visit", sa.ForeignKey("visit.key"), primary_key=True),
    sa.Column("captures", sa.Integer, nullable=False),
    sa.Column("first_at", sa.String(32)),
    sa.Column("last_at", sa.String(32)),
    sa.Column("faults", sa.Integer, nullable=False),
    sa.Column("warnings", sa.Integer, nullable=False),
    sa.Column("last", sa.Integer),  # id of the newest capture that was identified
    sa.Column("verdict", sa.String(16)),  # its verdict
    sa.Column("words", sa.Text, nullable=False),  # what a word is looked for in
    sa.Column("codes", sa.Text, nullable=False),  # codes of the findings that hold, a space before and after each
    sa.Index(None, "last_at", "visit"),
)
"""What lists show and search of a visit, over its captures that count; made by `spectra.archive.lists`."""

RAW = sa.Table(
    "raw",
    METADATA,
    sa.Column("capture", sa.ForeignKey("capture.id"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("blob", sa.ForeignKey("blob.sha256"), nullable=False),
    sa.Column("file", sa.Text, nullable=False),
)
"""Raw files of a capture, in the order of its segments."""

RESULT = sa.Table(
    "result",
    METADATA,
    sa.Column("key", sa.String(64), primary_key=True),
    sa.Column("capture", sa.ForeignKey("capture.id"), nullable=False, index=True),
    sa.Column("software", sa.Text, nullable=False),
    sa.Column("made_at", sa.String(32), nullable=False),
    sa.Column("plan", sa.ForeignKey("plan.sha256")),
    sa.Column("chain", sa.ForeignKey("chain.sha256")),
    sa.Column("body", sa.LargeBinary, nullable=False),  # JSON, zlib: measurements, identification, findings, failed
    sa.Index(None, "plan", "made_at"),
    sa.Index(None, "chain", "made_at"),
)
"""Results, all that were ever made; the capture names the current one."""

FINDING = sa.Table(
    "finding",
    METADATA,
    sa.Column("capture", sa.ForeignKey("capture.id"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("code", sa.Text, nullable=False),
    sa.Column("severity", sa.String(8), nullable=False),
    sa.Column("answer", sa.String(12), nullable=False),
    sa.Index(None, "code", "answer", "capture"),
)
"""Findings of the current results, for searching."""

CARRIER = sa.Table(
    "carrier",
    METADATA,
    sa.Column("capture", sa.ForeignKey("capture.id"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True),
    sa.Column("kind", sa.String(12), nullable=False),
    sa.Column("centre_hz", sa.Double, nullable=False),
    sa.Column("rf_hz", sa.Double),  # where the LO state is known well enough
    sa.Column("symbol_rate_bd", sa.Double),
    sa.Column("cn_db", sa.Double),
    sa.Column("row", sa.Integer),  # of the carrier table, where one answers
    sa.Index(None, "centre_hz"),
    sa.Index(None, "rf_hz"),
)
"""Carriers of the current results, for searching."""
