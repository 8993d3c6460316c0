"""What is off about edges alone, on a drawn bar whose sides are exact by construction."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from bench.edges import rows_of, table_of

SIZE, WIDE_PX, FINER = 320, 24.0, 4
ALONG = np.array([np.cos(0.4), np.sin(0.4)])
ACROSS = np.array([-ALONG[1], ALONG[0]])


def shown(folder: Path, *, coil: bool = False) -> Path:
    """A copper bar at 23 degrees, the table darker on one side of it; its truth file."""
    at = (np.arange(SIZE * FINER) + 0.5) / FINER - 0.5
    x, y = np.meshgrid(at - SIZE / 2, at - SIZE / 2)
    away, along = x * ACROSS[0] + y * ACROSS[1], x * ALONG[0] + y * ALONG[1]
    bar = (np.abs(away) < WIDE_PX / 2) & (np.abs(along) < 120)
    table = np.where(away[..., None] > 0, [150, 150, 150], [205, 205, 205])
    fine = np.where(bar[..., None], [150, 80, 50], table).astype(np.float32)
    photo = cv2.GaussianBlur(
        cv2.resize(fine, (SIZE, SIZE), interpolation=cv2.INTER_AREA), (0, 0), 0.7
    )
    cv2.imwrite(str(folder / "bar.png"), photo[..., ::-1].astype(np.uint8))
    mask = bar[FINER // 2 :: FINER, FINER // 2 :: FINER]
    cv2.imwrite(str(folder / "bar.pieces.png"), mask.astype(np.uint8))
    ys, xs = np.nonzero(mask)
    middle = SIZE / 2 + np.linspace(-120, 120, 25)[:, None] * ALONG
    limbs = np.hstack([middle - WIDE_PX / 2 * ACROSS, middle + WIDE_PX / 2 * ACROSS])
    piece = {
        "id": 1, "form": "wire", "finish": "tarnished", "facts": {"coil": True} if coil else {},
        "box_px": [int(xs.min()), int(ys.min()), int(np.ptp(xs)) + 1, int(np.ptp(ys)) + 1],
        "round_runs": [{"diameter_mm": 2.0, "limbs_px": limbs.tolist()}],
    }  # fmt: skip
    truth = {"photo": "bar.png", "light": "sun", "table": "drawn", "pieces": [piece]}
    (folder / "bar.json").write_text(json.dumps(truth), encoding="utf-8")
    return folder / "bar.json"


def test_a_drawn_bar_is_held_against_its_own_sides(tmp_path: Path) -> None:
    (row,) = rows_of(shown(tmp_path))
    assert row["true_px"] == pytest.approx(WIDE_PX)
    # Both ways to the same: the width that was found, and how far both edges lie outside.
    assert row["width_px"] - row["error_px"] == pytest.approx(WIDE_PX, abs=0.1)
    assert row["sunny_px"] + row["shaded_px"] == pytest.approx(row["error_px"], abs=0.2)
    assert abs(row["error_rel"]) < 0.05
    # The table is 150 on one side and 205 on the other: by the sRGB curve 0.30 and 0.61.
    assert row["shade"] == pytest.approx(0.30 / 0.61, abs=0.03)
    assert "| wire, all  | 1 of 1 |" in table_of([row])


def test_a_coil_has_no_width_of_its_own(tmp_path: Path) -> None:
    assert not list(rows_of(shown(tmp_path, coil=True)))
