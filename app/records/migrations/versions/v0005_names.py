"""Names: without the characters that turn the text beside them around."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)])

NAMED = {"buyer": "name_key", "helper": "name_key", "load": "name_key", "load_bin": "name"}
"""By table, in which column no name may stand twice; of bins, within their load."""


def upgrade() -> None:
    """Clean the names by which a row is found; one that is then another's gets a number."""
    connection = op.get_bind()
    for table, key in NAMED.items():
        within = "load_id" if table == "load_bin" else "''"
        query = f"SELECT id, {within}, name, {key} FROM {table}"
        rows = connection.exec_driver_sql(query).fetchall()
        taken = {(place, old) for _, place, _, old in rows}
        update = sa.text(f"UPDATE {table} SET {key} = :key, name = :name WHERE id = :id")
        for row_id, place, *before in rows:
            clean = [text.translate(TURNING).strip() or "unnamed" for text in before]
            if clean == before:
                continue
            name, new, number = *clean, 1
            while (place, new) in taken:
                number += 1
                name, new = (f"{text[:190]} {number}" for text in clean)
            taken.add((place, new))
            connection.execute(update, {"key": new, "name": name, "id": row_id})
