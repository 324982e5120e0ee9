"""The kit's upkeep: its visits, proofs, the proofs that counted in a record, lens profiles.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "upkeep",
        sa.Column("visit_id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_upkeep_visit_id_visit")),
        sa.PrimaryKeyConstraint("visit_id", name=op.f("pk_upkeep")),
    )
    op.create_index(op.f("ix_upkeep_kind"), "upkeep", ["kind"], unique=False)
    op.create_table(
        "proof",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("last_photo", sa.Integer(), nullable=False),
        sa.Column("kit_id", sa.String(length=32), nullable=False),
        sa.Column("kit_revision", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.String(length=32), nullable=True),
        sa.Column("what", sa.String(length=16), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=False),
        sa.Column("file", sa.JSON(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_proof_by_person")),
        sa.ForeignKeyConstraint(["kit_id"], ["kit.id"], name=op.f("fk_proof_kit_id_kit")),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_proof_visit_id_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proof")),
        sa.UniqueConstraint("seq", name=op.f("uq_proof_seq")),
    )
    op.create_index(op.f("ix_proof_kit_id"), "proof", ["kit_id"], unique=False)
    op.create_index(op.f("ix_proof_visit_id"), "proof", ["visit_id"], unique=False)
    op.create_table(
        "visit_proof",
        sa.Column("visit_id", sa.String(length=32), nullable=False),
        sa.Column("proof_id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["proof_id"], ["proof.id"], name=op.f("fk_visit_proof_proof_id_proof")),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_visit_proof_visit_id_visit")),
        sa.PrimaryKeyConstraint("visit_id", "proof_id", name=op.f("pk_visit_proof")),
    )
    op.create_table(
        "lens_profile",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("label", sa.String(length=300), nullable=False),
        sa.Column("file", sa.JSON(), nullable=False),
        sa.Column("visit_id", sa.String(length=32), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.Column("retired_by", sa.String(length=32), nullable=True),
        sa.Column("retired_at", sa.String(length=27), nullable=True),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_lens_profile_by_person")),
        sa.ForeignKeyConstraint(
            ["retired_by"], ["person.id"], name=op.f("fk_lens_profile_retired_by_person")
        ),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_lens_profile_visit_id_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lens_profile")),
    )


def downgrade() -> None:
    raise NotImplementedError("A store is not brought back: restore the copy that was made before.")
