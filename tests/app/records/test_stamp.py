"""A sheet's stamp changes with whatever it decides by."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace

from app.records.stamp import stamp_of
from rules.sheet import load_sheet, sheet_names

HOUSE = load_sheet("house")


def test_each_shipped_sheet_has_a_stamp_of_its_own() -> None:
    stamps = [stamp_of(load_sheet(name)) for name in sheet_names()]
    assert len({stamp.hash for stamp in stamps}) == len(stamps) == len(sheet_names())
    empty = hashlib.sha256(b"").hexdigest()
    for stamp in stamps:
        assert re.fullmatch(r"[0-9a-f]{64}", stamp.hash) and stamp.hash != empty


def test_the_same_sheet_read_again_has_the_same_stamp() -> None:
    assert stamp_of(replace(HOUSE, limits=dict(reversed(list(HOUSE.limits.items()))))) == stamp_of(
        HOUSE
    )


def test_any_change_of_a_row_or_a_limit_is_another_sheet() -> None:
    name, limit = next(iter(HOUSE.limits.items()))
    first, *others = HOUSE.rows
    for changed in (
        replace(HOUSE, limits={**HOUSE.limits, name: replace(limit, value=limit.value + 1e-9)}),
        replace(HOUSE, rows=(replace(first, grade="no2"), *others)),
        replace(HOUSE, rows=(*others, first)),
        replace(HOUSE, grades=HOUSE.grades[::-1]),
    ):
        assert stamp_of(changed).hash != stamp_of(HOUSE).hash
