"""Takes, files, jobs, measurements, answers remembered, nodes.

Revision: 0001, after None
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from coilbench_worker.store.instants import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One step on."""
    op.create_table(
        "files",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("blob", sa.String(length=80), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_files")),
    )
    op.create_table(
        "idempotency",
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("request_sha256", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_idempotency")),
    )
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_idempotency_created"), ["created"], unique=False)

    op.create_table(
        "nodes",
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("processes", sa.Integer(), nullable=False),
        sa.Column("started", UtcDateTime(), nullable=False),
        sa.Column("seen", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_nodes")),
    )
    op.create_table(
        "takes",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("updated", UtcDateTime(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("about", sa.JSON(), nullable=False),
        sa.Column("label", sa.Text(), nullable=True),
        sa.Column("session", sa.Text(), nullable=True),
        sa.Column("pickup", sa.Text(), nullable=True),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("settings_key", sa.String(length=64), nullable=False),
        sa.Column("problem", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("job_id", sa.String(length=36), nullable=True),
        sa.ForeignKeyConstraint(["file_sha256"], ["files.sha256"], name=op.f("fk_takes_file_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_takes")),
    )
    with op.batch_alter_table("takes", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_takes_created"), ["created"], unique=False)
        batch_op.create_index(batch_op.f("ix_takes_file_sha256"), ["file_sha256"], unique=False)
        batch_op.create_index(batch_op.f("ix_takes_pickup"), ["pickup"], unique=False)
        batch_op.create_index(batch_op.f("ix_takes_session"), ["session"], unique=False)
        batch_op.create_index(batch_op.f("ix_takes_state"), ["state"], unique=False)

    op.create_table(
        "jobs",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("take_id", sa.String(length=36), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("settings_key", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("returned", sa.Integer(), nullable=False),
        sa.Column("lease_until", UtcDateTime(), nullable=True),
        sa.Column("worker", sa.Text(), nullable=True),
        sa.Column("published", UtcDateTime(), nullable=True),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("finished", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["take_id"], ["takes.id"], name=op.f("fk_jobs_take_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_jobs_state_id"), ["state", "id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_take_id"), ["take_id"], unique=False)

    op.create_table(
        "measurements",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("take_id", sa.String(length=36), nullable=False),
        sa.Column("settings_key", sa.String(length=64), nullable=False),
        sa.Column("version", sa.String(length=32), nullable=False),
        sa.Column("made", UtcDateTime(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["takes.id"], name=op.f("fk_measurements_take_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
        sa.UniqueConstraint(
            "take_id", "settings_key", "version", name=op.f("uq_measurements_take_id_settings_key_version")
        ),
    )


def downgrade() -> None:
    """One step back."""
    op.drop_table("measurements")
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_jobs_take_id"))
        batch_op.drop_index(batch_op.f("ix_jobs_state_id"))

    op.drop_table("jobs")
    with op.batch_alter_table("takes", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_takes_state"))
        batch_op.drop_index(batch_op.f("ix_takes_session"))
        batch_op.drop_index(batch_op.f("ix_takes_pickup"))
        batch_op.drop_index(batch_op.f("ix_takes_file_sha256"))
        batch_op.drop_index(batch_op.f("ix_takes_created"))

    op.drop_table("takes")
    op.drop_table("nodes")
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_idempotency_created"))

    op.drop_table("idempotency")
    op.drop_table("files")
