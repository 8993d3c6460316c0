"""Cards and markers."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.scene import references


def test_a_card_is_id_1() -> None:
    card = references.card(np.random.default_rng(2))
    low, high = card.outline_mm.min(axis=0), card.outline_mm.max(axis=0)
    # ISO/IEC 7810:2003: 85.60 x 53.98 x 0.76 mm.
    assert np.allclose(high - low, [85.60, 53.98])
    assert card.parts[0][0].points[:, 2].max() == pytest.approx(0.76)


def test_a_rendered_marker_is_read_by_opencv() -> None:
    cv2 = pytest.importorskip("cv2")
    marker = references.marker(np.random.default_rng(3), side_mm=40)
    face = marker.parts[0][1].base.mean(axis=2)[::-1]
    image = np.pad((np.clip(face, 0, 1) * 255).astype(np.uint8), 40, constant_values=200)
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), cv2.aruco.DetectorParameters()
    )
    corners, ids, _ = detector.detectMarkers(image)
    assert ids is not None
    quiet = (marker.reach_mm * np.sqrt(2) - 40) / 2
    px_per_mm = face.shape[0] / (40 + 2 * quiet)
    side = np.linalg.norm(corners[0][0][0] - corners[0][0][1])
    assert side / px_per_mm == pytest.approx(40, rel=0.01)
