"""Data sheets of pickups and sessions, what takes inherit from a chain, and words; remembered answers about sheets.

Revision: 0004, after 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from coilbench_worker.store.instants import UtcDateTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

SHEETS = (("pickup_id", "pickups"), ("session_id", "sessions"))


def upgrade() -> None:
    """One step on; what is there stays as it is."""
    for _, table in SHEETS:
        op.create_table(
            table,
            sa.Column("id", sa.String(length=36), nullable=False),
            sa.Column("key", sa.Text(), nullable=False),
            sa.Column("sheet", sa.JSON(), nullable=False),
            sa.Column("created", UtcDateTime(), nullable=False),
            sa.Column("updated", UtcDateTime(), nullable=False),
            sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
            sa.UniqueConstraint("key", name=op.f(f"uq_{table}_key")),
        )
    op.create_table(
        "words",
        sa.Column("word", sa.Text(), nullable=False),
        sa.Column("items", sa.JSON(), nullable=False),
        sa.Column("says", sa.Text(), nullable=True),
        sa.Column("updated", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("word", name=op.f("pk_words")),
    )
    op.add_column("chains", sa.Column("cable", sa.Text(), nullable=True))
    op.add_column("chains", sa.Column("input_gain_db", sa.Float(), nullable=True))
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        for column, parent in SHEETS:
            batch_op.add_column(sa.Column(column, sa.String(length=36), nullable=True))
            batch_op.create_foreign_key(
                batch_op.f(f"fk_idempotency_{column}"), parent, [column], ["id"], ondelete="CASCADE"
            )
            batch_op.create_index(batch_op.f(f"ix_idempotency_{column}"), [column], unique=False)


def downgrade() -> None:
    """One step back; answers about sheets go, because the program before would not let go of them."""
    answers = sa.table("idempotency", *(sa.column(column, sa.String) for column, _ in SHEETS))
    op.execute(answers.delete().where(sa.or_(*(answers.c[column].is_not(None) for column, _ in SHEETS))))
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        for column, _ in reversed(SHEETS):
            batch_op.drop_index(batch_op.f(f"ix_idempotency_{column}"))
            batch_op.drop_constraint(batch_op.f(f"fk_idempotency_{column}"), type_="foreignkey")
            batch_op.drop_column(column)
    with op.batch_alter_table("chains", schema=None) as batch_op:
        batch_op.drop_column("input_gain_db")
        batch_op.drop_column("cable")
    for table in ("words", "sessions", "pickups"):
        op.drop_table(table)
