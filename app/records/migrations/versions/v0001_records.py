"""Pieces with photos, own calls, outcomes, tags; buyers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "meta",
        sa.Column("key", sa.String(60), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_meta"),
    )
    op.execute("INSERT INTO meta VALUES ('lock', '')")
    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(4), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("added_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_photo"),
    )
    op.create_table(
        "buyer",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("name_key", sa.String(200), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("created_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_buyer"),
        sa.UniqueConstraint("name_key", name="uq_buyer_name_key"),
    )
    op.create_table(
        "piece",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("created_utc", sa.String(27), nullable=False),
        sa.Column("updated_utc", sa.String(27), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("grading", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.String(200), nullable=False),
        sa.Column("sheet_title", sa.Text(), nullable=False),
        sa.Column("sheet_hash", sa.String(64), nullable=False),
        sa.Column("suggested", sa.String(60), nullable=True),
        sa.Column("form", sa.String(60), nullable=False),
        sa.Column("tarnish_level", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_piece"),
    )
    op.create_index("ix_piece_created_utc", "piece", ["created_utc"])
    op.create_index("ix_piece_suggested", "piece", ["suggested"])
    op.create_table(
        "piece_photo",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("piece_id", sa.String(32), nullable=False),
        sa.Column("photo_sha256", sa.String(64), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("role", sa.String(60), nullable=False),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("findings", sa.Text(), nullable=True),
        sa.Column("reference", sa.String(60), nullable=True),
        sa.Column("added_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_piece_photo"),
        _of_piece("piece_photo"),
        sa.ForeignKeyConstraint(
            ["photo_sha256"], ["photo.sha256"], name="fk_piece_photo_photo_sha256"
        ),
    )
    op.create_index("ix_piece_photo_piece_id", "piece_photo", ["piece_id"])
    op.create_index("ix_piece_photo_photo_sha256", "piece_photo", ["photo_sha256"])
    op.create_table(
        "own_call",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("piece_id", sa.String(32), nullable=False),
        sa.Column("grade", sa.String(60), nullable=False),
        sa.Column("blind", sa.Boolean(), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("tarnish_level", sa.Double(), nullable=True),
        sa.Column("called_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_own_call"),
        _of_piece("own_call"),
    )
    op.create_index("ix_own_call_piece_id", "own_call", ["piece_id"])
    op.create_table(
        "outcome",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("piece_id", sa.String(32), nullable=False),
        sa.Column("buyer_id", sa.String(32), nullable=False),
        sa.Column("grade", sa.String(60), nullable=True),
        sa.Column("paid", sa.String(40), nullable=True),
        sa.Column("currency", sa.String(3), nullable=True),
        sa.Column("weight_kg", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("told_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_outcome"),
        _of_piece("outcome"),
        sa.ForeignKeyConstraint(["buyer_id"], ["buyer.id"], name="fk_outcome_buyer_id"),
    )
    op.create_index("ix_outcome_piece_id", "outcome", ["piece_id"])
    op.create_index("ix_outcome_buyer_id", "outcome", ["buyer_id"])
    op.create_table(
        "tag",
        sa.Column("piece_id", sa.String(32), nullable=False),
        sa.Column("tag", sa.String(60), nullable=False),
        sa.PrimaryKeyConstraint("piece_id", "tag", name="pk_tag"),
        _of_piece("tag"),
    )
    op.create_index("ix_tag_tag", "tag", ["tag"])


def _of_piece(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["piece_id"], ["piece.id"], name=f"fk_{table}_piece_id", ondelete="CASCADE"
    )
