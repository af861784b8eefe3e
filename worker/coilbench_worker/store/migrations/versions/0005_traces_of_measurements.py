"""What pictures are drawn from, beside each measurement; those made before have none until they are made again.

Revision: 0005, after 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One step on; what is there stays as it is."""
    op.add_column("measurements", sa.Column("traces", sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    """One step back: pictures go, figures stay."""
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.drop_column("traces")
