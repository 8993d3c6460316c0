"""Helpers, their schedules, tests and answers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the tables of practice."""
    op.create_table(
        "helper",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("name_key", sa.String(200), nullable=False),
        sa.Column("created_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_helper"),
        sa.UniqueConstraint("name_key", name="uq_helper_name_key"),
    )
    op.create_table(
        "practice_schedule",
        sa.Column("helper_id", sa.String(32), nullable=False),
        sa.Column("card_key", sa.String(200), nullable=False),
        sa.Column("state", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=True),
        sa.Column("stability", sa.Double(), nullable=True),
        sa.Column("difficulty", sa.Double(), nullable=True),
        sa.Column("due_utc", sa.String(27), nullable=False),
        sa.Column("last_review_utc", sa.String(27), nullable=True),
        sa.Column("updated_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("helper_id", "card_key", name="pk_practice_schedule"),
        _of_helper("practice_schedule"),
    )
    op.create_index("ix_practice_schedule_due_utc", "practice_schedule", ["due_utc"])
    op.create_table(
        "practice_test",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("helper_id", sa.String(32), nullable=False),
        sa.Column("card_keys", sa.Text(), nullable=False),
        sa.Column("begun_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_practice_test"),
        _of_helper("practice_test"),
    )
    op.create_table(
        "practice_answer",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("helper_id", sa.String(32), nullable=False),
        sa.Column("card_key", sa.String(200), nullable=False),
        sa.Column("topic", sa.String(60), nullable=False),
        sa.Column("truth", sa.String(60), nullable=False),
        sa.Column("answered", sa.String(60), nullable=False),
        sa.Column("reason_right", sa.Boolean(), nullable=True),
        sa.Column("seconds", sa.Double(), nullable=True),
        sa.Column("test_id", sa.String(32), nullable=True),
        sa.Column("answered_utc", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_practice_answer"),
        _of_helper("practice_answer"),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["practice_test.id"],
            name="fk_practice_answer_test_id",
            ondelete="CASCADE",
        ),
    )
    op.create_index(
        "ix_practice_answer_helper_id", "practice_answer", ["helper_id", "answered_utc"]
    )
    op.create_index("ix_practice_answer_test_id", "practice_answer", ["test_id"])


def _of_helper(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["helper_id"], ["helper.id"], name=f"fk_{table}_helper_id", ondelete="CASCADE"
    )
