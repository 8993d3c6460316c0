"""Are pieces found again on the photo with the flash, and only those that lie where they lay?

    python -m bench.pairs DIR [--seed N]

``DIR`` holds pairs of :mod:`models.recipe.flash.photos`. Both photos are looked over, matched,
and matched again after one outline of the second was moved by 12 to 40 mm or turned by 20 to
160 degrees where it lay, a dozen times each; and each first photo with the second of every
other pair. Told apart by whether a reference or the pieces alone say how the phone moved.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from vision.examine import look_over
from vision.flash.matching import Laid, matched
from vision.flash.pairs import laid_of
from vision.photo.loading import load_photo_file
from vision.types import FloatArray

TIMES = 12
MOVED_MM, TURNED_DEG = (12.0, 40.0), (20.0, 160.0)
FOUND_BY_NAME = ("sheet", "card")
"""References that are looked for unnamed."""


def main(argv: Sequence[str] | None = None) -> int:
    """Match all pairs of a folder and print how it went."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=5)
    arguments = parser.parse_args(argv)
    rng = np.random.default_rng(arguments.seed)
    counted: Counter[tuple[str, str]] = Counter()
    pairs = [_laid(truth) for truth in sorted(arguments.folder.glob("*.plain.json"))]
    for plain, flash, px_per_mm in pairs:
        by = _by(plain, flash)
        found = matched(plain, flash)
        counted[by, "pieces on both"] += min(len(plain.outlines_px), len(flash.outlines_px))
        counted[by, "found again"] += len(found)
        for match in found:
            for _ in range(TIMES):
                for change in ("moved", "turned"):
                    outlines = list(flash.outlines_px)
                    outlines[match.flash] = changed(outlines[match.flash], change, px_per_mm, rng)
                    again = matched(plain, replace(flash, outlines_px=outlines))
                    counted[by, change] += 1
                    is_taken = any(one.flash == match.flash for one in again)
                    counted[by, f"{change}, taken for the same"] += is_taken
    for number, (plain, _, _) in enumerate(pairs):
        for other, (_, flash, _) in enumerate(pairs):
            if other != number:
                counted["other pair", "pieces"] += len(plain.outlines_px)
                counted["other pair", "taken for the same"] += len(matched(plain, flash))
    print(f"{len(pairs)} pairs")
    for (by, what), count in sorted(counted.items()):
        print(f"{by}: {what}: {count}")
    return 0


def changed(
    outline_px: FloatArray, change: str, px_per_mm: float, rng: np.random.Generator
) -> FloatArray:
    """Return an outline that was moved, or turned about its middle."""
    if change == "moved":
        way = rng.uniform(0, 2 * np.pi)
        shift = rng.uniform(*MOVED_MM) * px_per_mm * np.array([np.cos(way), np.sin(way)])
        return np.asarray(outline_px + shift)
    angle = np.radians(rng.uniform(*TURNED_DEG))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = outline_px.mean(axis=0)
    return np.asarray((outline_px - middle) @ turn.T + middle)


def _laid(truth: Path) -> tuple[Laid, Laid, float]:
    told = json.loads(truth.read_text(encoding="utf-8"))
    keys = [one["key"] for one in told["references"]]
    reference = keys[0] if keys and keys[0] not in FOUND_BY_NAME else "auto"
    plain, flash = (
        laid_of(look_over(load_photo_file(truth.with_name(name)), reference=reference))
        for name in (told["photo"], told["photo"].replace(".plain.", ".flash."))
    )
    return plain, flash, told["focal_px"] / told["camera_height_mm"]


def _by(plain: Laid, flash: Laid) -> str:
    scales = plain.scale, flash.scale
    if all(scale is not None for scale in scales):
        return "by a reference"
    one = min(len(plain.outlines_px), len(flash.outlines_px)) == 1
    return "by one piece alone" if one else "by the pieces"


if __name__ == "__main__":
    raise SystemExit(main())
