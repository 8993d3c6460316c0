"""What is in a file of records: its name, schema, and ``records.json`` as a value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Table

from app.records.models import Base
from app.records.types import PieceRecord

SCHEMA = "cuproscope.records/1"
JSON_NAME = "records.json"

_OWN_TABLES = ("meta", "photo", "piece", "piece_photo", "own_call", "outcome", "tag")

Plain = dict[str, Any]

LONGEST_TOLD = 200
"""Most letters of a fault that are told: what is at fault may be long itself."""

FIX = "Give a file that this program exported, whole and unchanged."


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoEntry:
    """A photo as ``records.json`` names it; ``lost`` where its file was gone or changed."""

    sha256: str
    kind: str
    width_px: int
    height_px: int
    added_utc: datetime
    lost: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """``records.json`` as a value; the cells of ``tables`` are typed by their columns."""

    written_utc: datetime
    photos: tuple[PhotoEntry, ...]
    pieces: tuple[PieceRecord, ...]
    tables: Mapping[str, tuple[Mapping[str, object], ...]] = field(default_factory=dict)


def other_tables() -> list[Table]:
    """Return all tables beside those of the pieces; what is pointed to comes first."""
    return [table for table in Base.metadata.sorted_tables if table.name not in _OWN_TABLES]
