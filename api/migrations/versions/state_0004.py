"""Which of a visit's placements stand in a round."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("round", schema=None) as batch_op:
        batch_op.add_column(sa.Column("standing", sa.JSON(), nullable=True))


def downgrade() -> None:
    raise NotImplementedError("A store is not brought back: restore the copy that was made before.")
