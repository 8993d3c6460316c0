"""Strand ends on a cut face, against drawn faces of exact size and number.

Numbers of wires are those of concentric lay: 7, 19 and 37 (ASTM B8, IEC 60228).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rules.errors import PhotoError
from vision.width.cut_end import detect_strand_ends

COPPER = np.array([0.75, 0.45, 0.33])


def drawn_face(
    layers: int, *, strand_px: float, seed: int, gap: float = 0.03, blur_px: float = 0.9
) -> np.ndarray:
    """Draw the cut face of a concentric lay at several times the size, then shrink it."""
    rng = np.random.default_rng(seed)
    fine = 4 if strand_px < 50 else 2  # big discs need no finer stairs
    d = strand_px * fine
    side = int(d * (2 * layers + 1) * 1.5)
    image = np.full((side, side, 3), rng.uniform(0.02, 0.08))
    middle = np.full(2, side / 2) + rng.uniform(-3, 3, 2)
    places = [(0.0, 0.0)]
    for layer in range(1, layers + 1):
        turn = rng.uniform(0, 2 * np.pi) + 2 * np.pi * np.arange(6 * layer) / (6 * layer)
        places += [(layer * np.cos(t), layer * np.sin(t)) for t in turn]
    lamp = rng.uniform(-0.3, 0.3, 2)
    for px, py in places:
        centre = middle + np.array([px, py]) * d * (1 + gap)
        yy, xx = np.mgrid[:side, :side]
        inside = np.hypot(xx - centre[0], yy - centre[1]) <= d / 2
        level = rng.uniform(0.5, 1.0) * (1 + lamp[0] * px / 3 + lamp[1] * py / 3)
        image[inside] = COPPER * level * 0.6
    image = cv2.GaussianBlur(image, (0, 0), blur_px * fine)
    image = cv2.resize(image, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    image = image + rng.normal(0, 0.004, image.shape)
    coded = np.where(
        image <= 0.0031308, 12.92 * image, 1.055 * np.maximum(image, 1e-9) ** (1 / 2.4) - 0.055
    )
    return np.clip(coded * 255 + 0.5, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("layers", "count"), [(1, 7), (2, 19), (3, 37)])
@pytest.mark.parametrize("strand_px", [14.0, 37.0, 90.0])
def test_strands_are_counted_and_sized(layers: int, count: int, strand_px: float) -> None:
    ends = detect_strand_ends(drawn_face(layers, strand_px=strand_px, seed=layers))
    # A dark end among bright ones may be missed where a strand has few pixels.
    assert abs(ends.count - count) <= (1 if strand_px < 20 else 0)
    assert ends.diameter_px == pytest.approx(strand_px, rel=0.03, abs=0.4)


def test_stated_scatter_covers_the_real_error() -> None:
    faces = [(s, 18.0 + 2.3 * s) for s in range(12)]
    seen = [detect_strand_ends(drawn_face(2, strand_px=d, seed=s)) for s, d in faces]
    errors = [abs(ends.diameter_px - d) / d for ends, (_, d) in zip(seen, faces, strict=True)]
    assert max(errors) < 0.04


def test_an_empty_picture_has_no_strands() -> None:
    flat = np.full((200, 200, 3), 120, np.uint8)
    with pytest.raises(PhotoError) as fault:
        detect_strand_ends(flat)
    assert fault.value.code == "no_strand_ends"
