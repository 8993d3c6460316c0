"""Loads: the highest number that a piece was ever given, so that none is given twice."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the column, filled from what lies in the loads and stands on the tickets."""
    op.add_column("load", sa.Column("given", sa.Integer(), nullable=False, server_default="0"))
    connection = op.get_bind()
    given: dict[str, int] = {}
    pieces = connection.exec_driver_sql(
        "SELECT b.load_id, p.code FROM load_piece p JOIN load_bin b ON b.id = p.bin_id"
    )
    for load_id, code in pieces.fetchall():
        given[load_id] = max(given.get(load_id, 0), _number(code))
    ids = connection.exec_driver_sql("SELECT name, id FROM load").fetchall()
    by_name = {name.casefold(): load_id for name, load_id in ids}
    for (body,) in connection.exec_driver_sql("SELECT body FROM load_ticket").fetchall():
        ticket = json.loads(body)
        load_id = by_name.get(str(ticket.get("load", "")).casefold())
        if load_id is not None:
            codes = [piece["id"] for line in ticket["lines"] for piece in line["pieces"]]
            given[load_id] = max([given.get(load_id, 0), *map(_number, codes)])
    for load_id, number in given.items():
        update = sa.text("UPDATE load SET given = :number WHERE id = :load")
        connection.execute(update, {"number": number, "load": load_id})


def _number(code: str) -> int:
    """Return the number in a piece's id; other ids were never given by the program."""
    told = code[1:] if code.startswith("p") else ""
    return int(told) if told.isascii() and told.isdigit() and len(told) < 10 else 0
