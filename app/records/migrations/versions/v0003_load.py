"""Loads: how buyers buy, price lists, bins, pieces and tickets."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "load_buyer",
        sa.Column("buyer_id", sa.String(32), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("updated_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("buyer_id", name="pk_load_buyer"),
        sa.ForeignKeyConstraint(
            ["buyer_id"], ["buyer.id"], name="fk_load_buyer_buyer_id", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "load_price",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("buyer_id", sa.String(32), nullable=False),
        sa.Column("grade", sa.String(60), nullable=False),
        sa.Column("amount", sa.String(40), nullable=False),
        sa.Column("per", sa.String(2), nullable=False),
        sa.Column("currency", sa.String(3), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("from_kg", sa.String(40), nullable=False),
        sa.Column("added_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_load_price"),
        sa.ForeignKeyConstraint(
            ["buyer_id"], ["buyer.id"], name="fk_load_price_buyer_id", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_load_price_buyer_id", "load_price", ["buyer_id"])
    op.create_table(
        "load",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("name_key", sa.String(200), nullable=False),
        sa.Column("created_utc", sa.String(27), nullable=False),
        sa.Column("updated_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_load"),
        sa.UniqueConstraint("name_key", name="uq_load_name_key"),
    )
    op.create_table(
        "load_bin",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("load_id", sa.String(32), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("grade", sa.String(60), nullable=False),
        sa.Column("weighed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_load_bin"),
        sa.ForeignKeyConstraint(
            ["load_id"], ["load.id"], name="fk_load_bin_load_id", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_load_bin_load_id", "load_bin", ["load_id"])
    op.create_table(
        "load_piece",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("bin_id", sa.String(32), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(40), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("piece_id", sa.String(32), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_load_piece"),
        sa.ForeignKeyConstraint(
            ["bin_id"], ["load_bin.id"], name="fk_load_piece_bin_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["piece_id"], ["piece.id"], name="fk_load_piece_piece_id", ondelete="SET NULL"
        ),
    )
    op.create_index("ix_load_piece_bin_id", "load_piece", ["bin_id"])
    op.create_index("ix_load_piece_piece_id", "load_piece", ["piece_id"])
    op.create_table(
        "load_ticket",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("code", sa.String(40), nullable=False),
        sa.Column("buyer_id", sa.String(32), nullable=True),
        sa.Column("written_utc", sa.String(27), nullable=False),
        sa.Column("settled_utc", sa.String(27), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_load_ticket"),
        sa.ForeignKeyConstraint(
            ["buyer_id"], ["buyer.id"], name="fk_load_ticket_buyer_id", ondelete="SET NULL"
        ),
    )
    op.create_index("ix_load_ticket_buyer_id", "load_ticket", ["buyer_id"])
    op.create_index("ix_load_ticket_written_utc", "load_ticket", ["written_utc"])
