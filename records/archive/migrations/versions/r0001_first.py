"""The first tables."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "r0001"
down_revision = None
branch_labels = None
depends_on = None

_KEY = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _key(name: str, *, primary: bool = False) -> sa.Column[str]:
    return sa.Column(name, _KEY, nullable=False, primary_key=primary)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=False)


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "index_state",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        _text("archive"),
        _number("lines"),
        _number("bytes"),
        _text("last"),
    )
    op.create_table(
        "entries",
        sa.Column("n", sa.BigInteger, primary_key=True, autoincrement=False),
        _text("path"),
        _key("kind"),
        _key("run"),
        _text("sha256"),
        _number("size"),
        _number("utc_ns"),
        _text("who"),
        _text("what"),
    )
    op.create_index("entries_of_run", "entries", ["run", "n"])
    op.create_index("entries_of_kind", "entries", ["kind", "n"])
    op.create_table(
        "runs",
        _key("run", primary=True),
        _text("serial"),
        _key("serial_key"),
        _text("model"),
        _key("model_key"),
        _text("gas"),
        _key("gas_key"),
        _text("customer"),
        _key("customer_key"),
        _text("job"),
        _key("job_key"),
        _text("plan"),
        _key("plan_key"),
        sa.Column("plan_version", sa.Integer, nullable=False),
        _text("rig"),
        _text("station"),
        _text("tested_by"),
        _number("started_ns"),
        _key("month"),
        sa.Column("simulated", sa.Boolean, nullable=False),
        _key("verdict"),
        _text("certificate"),
        _text("title"),
    )
    op.create_index("runs_by_time", "runs", ["started_ns", "run"])
    for name, column in (
        ("serial", "serial_key"),
        ("model", "model_key"),
        ("verdict", "verdict"),
        ("customer", "customer_key"),
        ("job", "job_key"),
        ("plan", "plan_key"),
        ("gas", "gas_key"),
    ):
        op.create_index(f"runs_by_{name}", "runs", [column, "started_ns", "run"])
    op.create_table(
        "certificates",
        _key("number", primary=True),
        _key("run"),
        _text("path"),
        _text("title"),
        _text("verdict"),
        _number("utc_ns"),
    )
    op.create_index("certificates_of_run", "certificates", ["run", "utc_ns"])
    op.create_table(
        "summary",
        _key("month", primary=True),
        _key("model_key", primary=True),
        _key("verdict", primary=True),
        sa.Column("simulated", sa.Boolean, nullable=False, primary_key=True),
        _text("model"),
        _number("runs"),
    )


def downgrade() -> None:
    """Take them away; an index is made anew from its archive."""
    for name in ("summary", "certificates", "runs", "entries", "index_state"):
        op.drop_table(name)
