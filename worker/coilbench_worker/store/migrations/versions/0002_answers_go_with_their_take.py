"""A remembered answer names its take and goes with it.

Revision: 0002, after 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One step on: the answers that are there are of takes; those whose take is gone would lead nowhere."""
    op.add_column("idempotency", sa.Column("take_id", sa.String(length=36), nullable=True))
    answers = sa.table("idempotency", sa.column("take_id", sa.String), sa.column("body", sa.JSON))
    takes = sa.table("takes", sa.column("id", sa.String))
    op.execute(answers.update().values(take_id=answers.c.body["id"].as_string()))
    op.execute(answers.delete().where(answers.c.take_id.not_in(sa.select(takes.c.id))))
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.create_foreign_key(
            batch_op.f("fk_idempotency_take_id"), "takes", ["take_id"], ["id"], ondelete="CASCADE"
        )
        batch_op.create_index(batch_op.f("ix_idempotency_take_id"), ["take_id"], unique=False)


def downgrade() -> None:
    """One step back."""
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_idempotency_take_id"))
        batch_op.drop_constraint(batch_op.f("fk_idempotency_take_id"), type_="foreignkey")
        batch_op.drop_column("take_id")
