"""Pairs drawn by many processes: whole, the same again, packed without loss."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from models.recipe.flash.many import main, packed, pair_of, save, unpacked


def run(folder: Path, count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = f"many --out {folder} --count {count} --workers 1 --seconds 300"
    monkeypatch.setattr(sys, "argv", asked.split())
    assert main() == 0


def test_a_second_run_goes_on_where_the_first_one_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(tmp_path, 2, monkeypatch)
    run(tmp_path, 3, monkeypatch)
    data = unpacked(list(tmp_path.glob("*.npz")))
    assert sorted(f["number"] for f in data.facts) == [0, 1, 2]
    one = pair_of(1, skies=[])
    assert one is not None
    row = next(k for k, f in enumerate(data.facts) if f["number"] == 1)
    assert np.array_equal(data.flash[row], one["flash"][0].astype(np.float32))


def test_pairs_come_back_as_they_were_packed(tmp_path: Path) -> None:
    pairs = [pair for seed in range(2) if (pair := pair_of(seed, skies=[])) is not None]
    save(tmp_path, [0, 1], pairs)
    data = unpacked([tmp_path / "drawn000.npz"])
    again = packed(data)
    for name in again:
        wanted = np.concatenate([pair[name] for pair in pairs])
        assert np.array_equal(again[name], wanted, equal_nan=wanted.dtype.kind == "f"), name
