"""Which of several pieces is meant, and in which order they are listed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from app.exit_codes import PhotoOutcome
from app.grading import GradedPiece, Result
from app.web.grade.which import _take, by_doubt, checks_words, left_out_at, tapped
from rules.engine import Grading
from tests.vision.drawn_examination import examination
from vision.types import LeftOut, Why

CALIPER, MAGNET = "measure it with a caliper", "try a magnet"


def graded(confidence: float, *, settle: str | None = None, guess: bool = False) -> GradedPiece:
    grading = Grading(
        suggested=None if settle else "no1",
        confidence=confidence,
        p={"no1": confidence, "no2": 1 - confidence},
        borderline=settle is not None,
        settle=settle,
        reasons=(),
        lifts=(),
        deciding=None,
        guess=guess,
    )
    return GradedPiece(findings=examination().pieces[0].findings, grading=grading)


def seen() -> Result:
    found = examination(size=(900, 1200))
    outline = np.array([(900.0, 700.0), (990.0, 700.0), (990.0, 760.0), (900.0, 760.0)])
    found = replace(found, left_out=(LeftOut(outline_px=outline, why=Why.STRANGER),))
    return Result(name="drawn.jpg", outcome=PhotoOutcome.GRADED, examination=found)


def test_the_worst_doubt_comes_first() -> None:
    pieces = [graded(0.99), graded(0.7, settle=CALIPER), graded(0.9), graded(0.4, settle=MAGNET)]
    assert by_doubt([*pieces, graded(0.97, guess=True)]) == [3, 1, 4, 2, 0]


def test_each_check_names_the_pieces_that_wait_for_it_most_of_them_first() -> None:
    pieces = [
        graded(0.6, settle=MAGNET),
        graded(0.99),
        graded(0.6, settle=CALIPER),
        graded(0.7, settle=CALIPER),
    ]
    first, second = checks_words(pieces)
    assert first.startswith("**3, 4**: Measure it")
    assert second.startswith("**1**: Try a magnet")


def test_a_tap_means_the_piece_under_it() -> None:
    result = seen()
    assert result.examination is not None
    for index, piece in enumerate(result.examination.pieces):
        rows, columns = np.nonzero(piece.region.mask)
        x, y, _, _ = piece.region.box_px
        at = (float(columns[len(columns) // 2] + x), float(rows[len(rows) // 2] + y))
        assert tapped(result, at, width_px=1200) == index


@pytest.mark.parametrize(("away_px", "hit"), [(30, 1), (200, None)])
def test_a_finger_may_miss_a_thin_wire_by_a_little(away_px: int, hit: int | None) -> None:
    """The wire, the second piece, is the highest on the photo."""
    result = seen()
    assert result.examination is not None
    outline = result.examination.pieces[1].region.outline_px
    x, y = outline[np.argmin(outline[:, 1])]
    at = (float(x), float(max(0.0, y - away_px)))
    assert tapped(result, at, width_px=1200) == hit


def test_of_two_outlines_around_a_tap_the_smaller_is_meant() -> None:
    result = seen()
    assert result.examination is not None
    pieces = list(result.examination.pieces)
    whole = np.array([(0.0, 0.0), (1199.0, 0.0), (1199.0, 899.0), (0.0, 899.0)])
    around = replace(pieces[0], region=replace(pieces[0].region, outline_px=whole))
    found = replace(result.examination, pieces=(around, *pieces[1:]))
    outline = pieces[1].region.outline_px
    at = (float(outline[:, 0].mean()), float(outline[:, 1].mean()))
    assert tapped(replace(result, examination=found), at, width_px=1200) == 1


def test_what_was_left_out_is_meant_only_right_under_the_finger() -> None:
    assert left_out_at(seen(), (945.0, 730.0))
    assert not left_out_at(seen(), (880.0, 730.0))
    assert not left_out_at(Result(name="x", outcome=PhotoOutcome.UNREADABLE), (945.0, 730.0))


@pytest.fixture
def tap(monkeypatch: pytest.MonkeyPatch) -> Callable[..., SimpleNamespace]:
    """Tap the drawn photo at points one after the other, and return what the visit keeps."""
    told: Any = SimpleNamespace(
        kept=SimpleNamespace(sha256="a"), result=seen(), size_px=(1200, 900)
    )

    def run(*points: tuple[float, float]) -> SimpleNamespace:
        here: Any = SimpleNamespace(taps={}, seen={})
        for x, y in points:
            at = {"x": x + 0.5, "y": y + 0.5, "width": 1200, "height": 900}
            monkeypatch.setattr("app.web.grade.which.typed", lambda _, at=at: at)
            _take(told, here, "key")
        return here

    return run


def beside_the_first() -> tuple[float, float]:
    found = seen().examination
    assert found is not None
    outline = found.pieces[0].region.outline_px
    x, y = outline[outline[:, 1].argmin()]
    return (float(x), float(y) - 20.0)


def test_a_tap_beside_a_piece_means_it_and_a_second_one_what_lies_there(
    tap: Callable[..., SimpleNamespace],
) -> None:
    at = beside_the_first()
    once, twice = tap(at), tap(at, at)
    assert not once.taps
    assert list(once.seen.values()) == [0]
    assert twice.taps["a"].also == (pytest.approx(at),)


def test_a_tap_far_from_all_pieces_asks_for_what_lies_there(
    tap: Callable[..., SimpleNamespace],
) -> None:
    here = tap((1190.0, 10.0), (10.0, 890.0))
    assert here.taps["a"].also == (pytest.approx((10.0, 890.0)),), "the first met nothing"
