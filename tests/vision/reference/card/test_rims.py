"""Strips of darkened table beside a card: drawn profiles whose face ends where we put it."""

import numpy as np
import pytest

from vision.reference.card.rims import profile_places_mm, strips_mm
from vision.types import FloatArray

FACE, TABLE = np.array([0.10, 0.35, 0.20]), np.array([0.60, 0.55, 0.50])


def profile(
    end_mm: float,
    *,
    width_mm: float = 0.0,
    depth: float = 0.0,
    fades: bool = False,
    blur_mm: float = 0.2,
    strip: FloatArray | None = None,
    noise: float = 0.0,
) -> FloatArray:
    """``(m, 3)`` light: face up to ``end_mm``, then a strip, then table, blurred by sums.

    Drawn at 2.5 micrometres, so that it rests on none of the module's own grids.
    """
    fine = np.arange(-4.0, 5.0, 0.0025)
    beyond = fine - end_mm
    if fades:
        missing = np.where(beyond > 0, depth * np.exp(-np.maximum(beyond, 0) / width_mm), 0.0)
    else:
        missing = np.where((beyond > 0) & (beyond < width_mm), depth, 0.0)
    table = TABLE * (1 - missing)[:, None]
    if strip is not None:
        table = np.where(((beyond > 0) & (beyond < width_mm))[:, None], strip, table)
    light = np.where((beyond <= 0)[:, None], FACE, table)
    kernel = np.exp(-0.5 * (np.arange(-5 * blur_mm, 5 * blur_mm, 0.0025) / blur_mm) ** 2)
    kernel /= kernel.sum()
    smeared = np.column_stack([np.convolve(light[:, k], kernel, mode="same") for k in range(3)])
    at = profile_places_mm()
    read = np.column_stack([np.interp(at, fine, smeared[:, k]) for k in range(3)])
    scatter: FloatArray = np.random.default_rng(0).normal(0, noise, read.shape)
    return read + scatter


@pytest.mark.parametrize("fades", [False, True])
@pytest.mark.parametrize("end_mm", [-0.6, -0.33, -0.2])
@pytest.mark.parametrize("blur_mm", [0.12, 0.25])
def test_a_side_on_a_shadows_far_end_is_moved_back(
    fades: bool, end_mm: float, blur_mm: float
) -> None:
    seen = profile(end_mm, width_mm=0.45, depth=0.7, fades=fades, blur_mm=blur_mm, noise=0.002)
    (width,) = strips_mm([seen], blur_mm=blur_mm)
    # strips are tried in steps of a third of their width and a fifth of their depth
    assert width == pytest.approx(-end_mm, abs=0.12)


@pytest.mark.parametrize("blur_mm", [0.12, 0.25])
def test_a_clean_side_stays(blur_mm: float) -> None:
    seen = [profile(end, blur_mm=blur_mm, noise=0.004) for end in (-0.1, 0.0, 0.1)]
    assert strips_mm(seen, blur_mm=blur_mm) == [0.0, 0.0, 0.0]


def test_a_strip_printed_on_the_card_is_no_shadow() -> None:
    # the fitted edge is right; 0.7 mm inside it the card changes colour
    seen = profile(-0.7, width_mm=0.7, strip=np.array([0.45, 0.05, 0.30]), noise=0.002)
    assert strips_mm([seen], blur_mm=0.2) == [0.0]


def test_sides_do_not_disturb_one_another() -> None:
    dark = profile(-0.4, width_mm=0.4, depth=0.8)
    alone = strips_mm([dark], blur_mm=0.2)
    assert strips_mm([profile(0.0), dark, profile(0.05)], blur_mm=0.2) == [0.0, *alone, 0.0]
