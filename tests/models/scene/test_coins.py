"""Coins of the renders: struck and worn plain."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.scene import references


@pytest.mark.parametrize("key", ["us-1c", "eu-2"])
def test_worn_coins_keep_their_size_and_lose_their_rim(
    key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = {}
    for worn in (0.0, 1.0):
        monkeypatch.setattr(references, "WORN", worn)
        made[worn] = references.coin(np.random.default_rng(80), key=key)
    fresh, plain = made[0.0], made[1.0]
    # 19.05 mm (United States Mint) and 25.75 mm (European Commission), as in vision/data/coins.csv.
    wanted = {"us-1c": 19.05, "eu-2": 25.75}[key]
    for coin in made.values():
        assert 2 * np.linalg.norm(coin.outline_mm, axis=1).max() == pytest.approx(wanted, abs=0.01)
        points = np.concatenate([mesh.points for mesh, _ in coin.parts])
        reach = np.hypot(points[:, 0], points[:, 1]).max()
        assert 2 * reach == pytest.approx(wanted, abs=0.01)

    def rim(coin: references.Reference) -> float:
        height = coin.parts[0][1].height
        n = len(height)
        y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
        r = np.hypot(x, y) / (n / 2)
        ring, inside = height[(r > 0.93) & (r < 0.99)], height[(r > 0.84) & (r < 0.90)]
        return float(np.median(ring) - np.median(inside))

    assert rim(fresh) > 0.02
    assert abs(rim(plain)) < 0.01
