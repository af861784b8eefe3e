"""Chains and their calibrations; remembered answers about them.

Revision: 0003, after 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from coilbench_worker.store.instants import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One step on; what is there stays as it is, and a program that knows nothing of chains goes on working."""
    op.create_table(
        "chains",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("gain_step_uncertainty_db", sa.Float(), nullable=True),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("updated", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chains")),
        sa.UniqueConstraint("key", name=op.f("uq_chains_key")),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("chain_id", sa.String(length=36), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("input_gain_db", sa.Float(), nullable=False),
        sa.Column("by", sa.String(length=16), nullable=False),
        sa.Column("full_scale_v_rms", sa.Float(), nullable=False),
        sa.Column("budget", sa.JSON(), nullable=False),
        sa.Column("tone", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("file_name", sa.Text(), nullable=True),
        sa.Column("file_sha256", sa.String(length=64), nullable=True),
        sa.ForeignKeyConstraint(["chain_id"], ["chains.id"], name=op.f("fk_calibrations_chain_id"), ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["file_sha256"], ["files.sha256"], name=op.f("fk_calibrations_file_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
    )
    with op.batch_alter_table("calibrations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_calibrations_chain_id"), ["chain_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_calibrations_file_sha256"), ["file_sha256"], unique=False)

    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        for column, parent in (("chain_id", "chains"), ("calibration_id", "calibrations")):
            batch_op.add_column(sa.Column(column, sa.String(length=36), nullable=True))
            batch_op.create_foreign_key(
                batch_op.f(f"fk_idempotency_{column}"), parent, [column], ["id"], ondelete="CASCADE"
            )
            batch_op.create_index(batch_op.f(f"ix_idempotency_{column}"), [column], unique=False)


def downgrade() -> None:
    """One step back; answers about chains go, because the program before would not let go of them."""
    answers = sa.table("idempotency", sa.column("chain_id", sa.String), sa.column("calibration_id", sa.String))
    op.execute(answers.delete().where(sa.or_(answers.c.chain_id.is_not(None), answers.c.calibration_id.is_not(None))))
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        for column in ("calibration_id", "chain_id"):
            batch_op.drop_index(batch_op.f(f"ix_idempotency_{column}"))
            batch_op.drop_constraint(batch_op.f(f"fk_idempotency_{column}"), type_="foreignkey")
            batch_op.drop_column(column)
    op.drop_table("calibrations")
    op.drop_table("chains")
