"""Clamps that were taken off after a check."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "clamp_off",
        sa.Column("seq", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("visit_id", sa.String(length=32), nullable=False),
        sa.Column("wheel", sa.String(length=16), nullable=False),
        sa.Column("from_round", sa.Integer(), nullable=False),
        sa.Column("says", sa.String(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_clamp_off_by_person")),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_clamp_off_visit_id_visit")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_clamp_off")),
    )
    with op.batch_alter_table("clamp_off", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_clamp_off_visit_id"), ["visit_id"], unique=False)


def downgrade() -> None:
    raise NotImplementedError("A store is not brought back: restore the copy that was made before.")
