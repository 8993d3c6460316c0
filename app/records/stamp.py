"""Which rules graded a piece? A hash of everything a rule sheet decides by."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict

from app.records.types import SheetStamp
from rules.table import RuleSheet


def stamp_of(sheet: RuleSheet) -> SheetStamp:
    """Return a sheet's name, title and hash; any change of a row or limit changes the hash."""
    whole = json.dumps(asdict(sheet), sort_keys=True, default=str, separators=(",", ":"))
    return SheetStamp(
        id=sheet.name, title=sheet.title, hash=hashlib.sha256(whole.encode()).hexdigest()
    )
