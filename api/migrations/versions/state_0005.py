"""Visits of a study."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "study",
        sa.Column("visit_id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("set_up", sa.String(length=200), nullable=False),
        sa.Column("varies", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_study_visit_id_visit")),
        sa.PrimaryKeyConstraint("visit_id", name=op.f("pk_study")),
    )
    with op.batch_alter_table("study", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_study_name"), ["name"], unique=False)


def downgrade() -> None:
    raise NotImplementedError("A store is not brought back: restore the copy that was made before.")
