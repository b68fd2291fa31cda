"""Tables of the index, and which of their columns things are found by.

A change here wants a new revision in ``migrations/versions``; a test compares the two.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
)
from sqlalchemy.dialects import postgresql

REVISION = "r0002"

# Order by bytes, so that a text's beginning is a range of its column.
KEY = Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")

METADATA = MetaData()

STATE = Table(
    "index_state",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("archive", Text, nullable=False),
    Column("lines", BigInteger, nullable=False),
    Column("bytes", BigInteger, nullable=False),
    Column("last", Text, nullable=False),
)

ENTRIES = Table(
    "entries",
    METADATA,
    Column("n", BigInteger, primary_key=True, autoincrement=False),
    Column("path", Text, nullable=False),
    Column("kind", KEY, nullable=False),
    Column("run", KEY, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("utc_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Index("entries_of_run", "run", "n"),
    Index("entries_of_kind", "kind", "n"),
)

RUNS = Table(
    "runs",
    METADATA,
    Column("run", KEY, primary_key=True),
    Column("serial", Text, nullable=False),
    Column("serial_key", KEY, nullable=False),
    Column("model", Text, nullable=False),
    Column("model_key", KEY, nullable=False),
    Column("gas", Text, nullable=False),
    Column("gas_key", KEY, nullable=False),
    Column("customer", Text, nullable=False),
    Column("customer_key", KEY, nullable=False),
    Column("job", Text, nullable=False),
    Column("job_key", KEY, nullable=False),
    Column("plan", Text, nullable=False),
    Column("plan_key", KEY, nullable=False),
    Column("plan_version", Integer, nullable=False),
    Column("rig", Text, nullable=False),
    Column("rig_key", KEY, nullable=False, server_default=""),
    Column("station", Text, nullable=False),
    Column("tested_by", Text, nullable=False),
    Column("technician_key", KEY, nullable=False, server_default=""),
    Column("started_ns", BigInteger, nullable=False),
    Column("month", KEY, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("verdict", KEY, nullable=False),
    Column("certificate", Text, nullable=False),
    Column("title", Text, nullable=False),
    Index("runs_by_time", "started_ns", "run"),
    Index("runs_by_serial", "serial_key", "started_ns", "run"),
    Index("runs_by_model", "model_key", "started_ns", "run"),
    Index("runs_by_verdict", "verdict", "started_ns", "run"),
    Index("runs_by_customer", "customer_key", "started_ns", "run"),
    Index("runs_by_job", "job_key", "started_ns", "run"),
    Index("runs_by_plan", "plan_key", "started_ns", "run"),
    Index("runs_by_gas", "gas_key", "started_ns", "run"),
    Index("runs_by_technician", "technician_key", "started_ns", "run"),
    Index("runs_by_rig", "rig_key", "started_ns", "run"),
)

CERTIFICATES = Table(
    "certificates",
    METADATA,
    Column("number", KEY, primary_key=True),
    Column("run", KEY, nullable=False),
    Column("path", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("utc_ns", BigInteger, nullable=False),
    Index("certificates_of_run", "run", "utc_ns"),
)

# Of the judgement that was added last, of each regulator of a run.
FINDINGS = Table(
    "findings",
    METADATA,
    Column("run", KEY, nullable=False),
    Column("serial", KEY, nullable=False),
    Column("finding", KEY, nullable=False),
    Column("step", KEY, nullable=False),
    Column("channel", KEY, nullable=False),
    Column("value", Double, nullable=False),
    Column("low", Double, nullable=False),
    Column("high", Double, nullable=False),
    Column("outcome", KEY, nullable=False),
    Index("findings_of_run", "run"),
    Index("findings_by_value", "finding", "value", "run"),
)

SUSPECTS = Table(
    "suspects",
    METADATA,
    Column("run", KEY, nullable=False),
    Column("serial", KEY, nullable=False),
    Column("fault", KEY, nullable=False),
    Column("place", Integer, nullable=False),
    Index("suspects_of_run", "run"),
    Index("suspects_by_fault", "fault", "run"),
)

# Counts that are kept, so that a summary of years reads months and not runs.
SUMMARY = Table(
    "summary",
    METADATA,
    Column("month", KEY, primary_key=True),
    Column("model_key", KEY, primary_key=True),
    Column("verdict", KEY, primary_key=True),
    Column("simulated", Boolean, primary_key=True),
    Column("model", Text, nullable=False),
    Column("runs", BigInteger, nullable=False),
)
