"""Pictures of how far a confidence can be trusted, and of the answers that were worst.

Drawn with OpenCV: no plotting library is among the dependencies.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from app.practice.statistics import share_of
from bench.real_figures import Answer, Pairs, rates

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

INK, GRID, PAPER = (40, 40, 40), (222, 222, 222), 255
COLOURS: tuple[Colour, ...] = ((160, 90, 20), (30, 110, 200), (60, 140, 60), (150, 60, 150))
"""BGR; told apart by their line's marks too (circle, square, cross, triangle)."""

SIZE, LEFT, TOP, RIGHT, BOTTOM = 520, 76, 46, 24, 62
"""Of one diagram, pixels."""

BINS = 8
WORST, ACROSS, TILE = 20, 5, 300


def draw_all(answers: Sequence[Answer], *, photos: Path, out: Path, name: str) -> None:
    """Write ``NAME.png`` (reliability, and risk against coverage) and ``NAME_worst.jpg``."""
    out.mkdir(parents=True, exist_ok=True)
    judged = [a for a in answers if not a.truth.is_left_out]
    pairs = rates(judged)
    diagrams = np.hstack([reliability(pairs), risk_coverage(pairs)])
    cv2.imwrite(str(out / f"{name}.png"), diagrams)
    sheet = worst(judged, photos=photos)
    if sheet is not None:
        cv2.imwrite(str(out / f"{name}_worst.jpg"), sheet, [cv2.IMWRITE_JPEG_QUALITY, 80])


def reliability(groups: Mapping[str, Pairs]) -> Picture:
    """Return how often answers were right against the confidence they were told with.

    Each mark stands for an eighth of the answers; its bar is the 95 % interval (Wilson).
    On the diagonal a confidence keeps its word.
    """
    canvas = _axes("told confidence", "share that was right", low=0.0)
    cv2.line(canvas, _at(0, 0), _at(1, 1), INK, 1, cv2.LINE_AA)
    for index, pairs in enumerate(groups.values()):
        ordered = np.array(sorted(pairs, key=lambda pair: pair[0]), float)
        parts = np.array_split(ordered, min(BINS, len(pairs)))
        points = []
        for part in parts:
            share = share_of(int(part[:, 1].sum()), len(part))
            assert share is not None
            x = float(part[:, 0].mean())
            cv2.line(canvas, _at(x, share.low95), _at(x, share.high95), COLOURS[index], 1)
            points.append((x, share.value))
        _line(canvas, points, index=index, marks=True)
    _legend(canvas, groups)
    return canvas


def risk_coverage(groups: Mapping[str, Pairs]) -> Picture:
    """Return the share that was wrong among the answers kept, the surest first."""
    canvas = _axes("share of answers kept, the surest first", "share of those wrong", low=0.0)
    for index, pairs in enumerate(groups.values()):
        right = np.array([r for _, r in sorted(pairs, key=lambda pair: -pair[0])], float)
        kept = np.arange(1, len(right) + 1)
        risk = np.cumsum(1 - right) / kept
        _line(canvas, list(zip(kept / len(right), risk, strict=True)), index=index, marks=False)
    _legend(canvas, groups)
    return canvas


def worst(answers: Sequence[Answer], *, photos: Path) -> Picture | None:
    """Return the wrong answers that were told with the most confidence; None without any."""
    wrong = [a for a in answers if not a.is_right]
    wrong.sort(key=lambda a: (-a.is_decided, -a.confidence))
    tiles = [_tile(answer, photos) for answer in wrong[:WORST]]
    if not tiles:
        return None
    tiles += [np.full_like(tiles[0], PAPER)] * (-len(tiles) % ACROSS)
    rows = [np.hstack(tiles[i : i + ACROSS]) for i in range(0, len(tiles), ACROSS)]
    return np.vstack(rows).astype(np.uint8)


def _tile(answer: Answer, photos: Path) -> Picture:
    photo = cv2.imread(str(photos / answer.photo), cv2.IMREAD_COLOR)
    assert photo is not None, answer.photo
    x, y, w, h = (int(v) for v in answer.piece["box_px"])
    side = min(max(int(1.5 * max(w, h)), 80), *photo.shape[:2])
    left = min(max(0, x + w // 2 - side // 2), photo.shape[1] - side)
    top = min(max(0, y + h // 2 - side // 2), photo.shape[0] - side)
    cut = cv2.resize(
        photo[top : top + side, left : left + side], (TILE, TILE), interpolation=cv2.INTER_AREA
    )
    outline = (np.array(answer.piece["outline_px"], float) - (left, top)) * (TILE / side)
    cv2.polylines(cut, [np.round(outline).astype(np.int32)], True, (0, 220, 0), 1, cv2.LINE_AA)
    tile = np.full((TILE + 40, TILE, 3), PAPER, np.uint8)
    tile[:TILE] = cut
    truth = answer.truth
    _text(tile, f"{truth.kind}: {truth.name}"[:46], (4, TILE + 15))
    _text(tile, f"told {answer.top} {answer.confidence:.2f}, {answer.look}"[:46], (4, TILE + 33))
    return tile


def _axes(across: str, up: str, *, low: float) -> Picture:
    canvas = np.full((SIZE, SIZE, 3), PAPER, np.uint8)
    for tick in np.linspace(low, 1, 6):
        value = float(tick)
        cv2.line(canvas, _at(value, 0), _at(value, 1), GRID, 1)
        cv2.line(canvas, _at(0, value), _at(1, value), GRID, 1)
        x, y = _at(value, 0)
        _text(canvas, f"{value:.0%}", (x - 14, y + 18))
        x, y = _at(0, value)
        _text(canvas, f"{value:.0%}", (x - 44, y + 5))
    _text(canvas, across, (LEFT, SIZE - 18))
    _text(canvas, up, (8, 22))
    return canvas


def _at(x: float, y: float) -> tuple[int, int]:
    """Return the pixel of a point whose parts run from 0 to 1."""
    wide, high = SIZE - LEFT - RIGHT, SIZE - TOP - BOTTOM
    return round(LEFT + x * wide), round(TOP + (1 - y) * high)


def _line(
    canvas: Picture, points: Sequence[tuple[float, float]], *, index: int, marks: bool
) -> None:
    at = [_at(x, y) for x, y in points]
    cv2.polylines(canvas, [np.array(at, np.int32)], False, COLOURS[index], 2, cv2.LINE_AA)
    for point in at if marks else ():
        _mark(canvas, point, index)


def _mark(canvas: Picture, at: tuple[int, int], index: int) -> None:
    kinds = (None, cv2.MARKER_SQUARE, cv2.MARKER_CROSS, cv2.MARKER_TRIANGLE_UP)
    kind = kinds[index]
    if kind is None:
        cv2.circle(canvas, at, 5, COLOURS[index], -1, cv2.LINE_AA)
    else:
        cv2.drawMarker(canvas, at, COLOURS[index], kind, 11, 2, cv2.LINE_AA)


def _legend(canvas: Picture, groups: Mapping[str, Pairs]) -> None:
    for index, (name, pairs) in enumerate(groups.items()):
        x, y = LEFT + 190 * index, SIZE - 36
        _mark(canvas, (x + 8, y - 5), index)
        _text(canvas, f"{name}, n {len(pairs)}", (x + 20, y), COLOURS[index])


def _text(canvas: Picture, words: str, at: tuple[int, int], colour: Colour = INK) -> None:
    cv2.putText(canvas, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour, 1, cv2.LINE_AA)
