"""Keys and sign-ins, call-backs and what is to be sent to them, the request behind a job, indexes for long lists.

An expansion: what worked with 0005 works with 0006, so old and new processes may run side by side. Tables are locked
as the processes at work lock rows, takes before jobs, and at once as firmly as is needed; else they and this step could
wait for each other.

Revision: 0006, after 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from coilbench_worker.store.instants import UtcDateTime

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

BY_ID = ("state", "session", "pickup", "created")


def upgrade() -> None:
    """One step on; what is there stays as it is."""
    for column in BY_ID:
        op.drop_index(f"ix_takes_{column}", "takes")
        op.create_index(f"ix_takes_{column}_id", "takes", [column, "id"])
    op.add_column("jobs", sa.Column("request_id", sa.String(64), nullable=True))
    op.create_index("ix_jobs_finished", "jobs", ["finished"])
    op.create_table(
        "installation",
        sa.Column("place", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("id", sa.String(36), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
    )
    op.create_table(
        "keys",
        sa.Column("id", sa.String(16), primary_key=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_sha256", sa.String(64), nullable=False),
        sa.Column("scopes", sa.String(64), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("expires", UtcDateTime(), nullable=True),
        sa.Column("revoked", UtcDateTime(), nullable=True),
        sa.Column("last_used", UtcDateTime(), nullable=True),
        sa.Column("requests_per_minute", sa.Integer(), nullable=True),
        sa.Column("upload_bytes_per_day", sa.BigInteger(), nullable=True),
    )
    op.create_table(
        "sign_ins",
        sa.Column("token_sha256", sa.String(64), primary_key=True),
        sa.Column("key_id", sa.String(16), sa.ForeignKey("keys.id", ondelete="CASCADE"), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("expires", UtcDateTime(), nullable=False),
    )
    op.create_index("ix_sign_ins_key_id", "sign_ins", ["key_id"])
    op.create_index("ix_sign_ins_expires", "sign_ins", ["expires"])
    op.create_table(
        "callbacks",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("states", sa.String(64), nullable=False),
        sa.Column("session", sa.Text(), nullable=True),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("updated", UtcDateTime(), nullable=False),
        sa.Column("stopped", UtcDateTime(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failing_since", UtcDateTime(), nullable=True),
        sa.Column("rests_until", UtcDateTime(), nullable=True),
    )
    op.create_table(
        "deliveries",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("callback_id", sa.String(36), sa.ForeignKey("callbacks.id", ondelete="CASCADE"), nullable=False),
        sa.Column("take_id", sa.String(36), sa.ForeignKey("takes.id", ondelete="CASCADE"), nullable=True),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("created", UtcDateTime(), nullable=False),
        sa.Column("due", UtcDateTime(), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("lease_until", UtcDateTime(), nullable=True),
        sa.Column("ended", UtcDateTime(), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
    )
    op.create_index("ix_deliveries_callback_id_due", "deliveries", ["callback_id", "due"])
    op.create_index("ix_deliveries_callback_id_id", "deliveries", ["callback_id", "id"])
    op.create_index("ix_deliveries_take_id", "deliveries", ["take_id"])


def downgrade() -> None:
    """One step back: keys and call-backs go, takes stay."""
    for table in ("deliveries", "callbacks", "sign_ins", "keys", "installation"):
        op.drop_table(table)
    for column in BY_ID:
        op.create_index(f"ix_takes_{column}", "takes", [column])
        op.drop_index(f"ix_takes_{column}_id", "takes")
    op.drop_index("ix_jobs_finished", "jobs")
    op.drop_column("jobs", "request_id")
