"""How high a piece may lie, and how unsure its width then is: similar triangles, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from rules.findings import Form, FormFinding, Measurement, Unit
from vision.types import Region, Scale
from vision.width.piece import Widths
from vision.width.pile import MOST_MM, heights_mm, on_pile

SIZE = (400, 300)


def bar(x: int, y: int, w: int, h: int) -> Region:
    mask = np.ones((h, w), bool)
    outline = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float)
    return Region(box_px=(x, y, w, h), mask=mask, outline_px=outline, score=1.0)


def flat(*, mm_per_px: float = 0.5, camera_mm: float = 250.0) -> Scale:
    return Scale(
        reference="card",
        mm_per_px=mm_per_px,
        u_rel=0.002,
        tilt_deg=0.0,
        residual_px=0.1,
        mm_from_px=np.diag([mm_per_px, mm_per_px, 1.0]),
        budget={"edges": 0.002},
        outlines_px=(),
        camera_mm=(100.0, 75.0, camera_mm),
    )


def size(value: float, u: float) -> Measurement:
    half = 1.96 * u
    return Measurement(
        value=value, u=u, unit=Unit.MILLIMETRE, low95=value - half, high95=value + half
    )


def measured(diameter: Measurement | None) -> Widths:
    form = FormFinding(p={f: float(f is Form.TUBE) for f in Form}, stated=False)
    return Widths(form=form, diameter=diameter)


def test_a_piece_may_lie_as_high_as_what_it_touches_is_thick() -> None:
    # 40 px at 0.5 mm is 20 mm, 10 px is 5 mm; the third lies apart.
    tube, wire, apart = bar(20, 50, 300, 40), bar(60, 90, 200, 10), bar(20, 200, 300, 30)
    heights = heights_mm([tube, wire, apart], flat(), size_px=SIZE)
    assert heights == pytest.approx([5, 20, 0], abs=1.5)


def test_pieces_that_touch_through_another_may_lie_on_both() -> None:
    first, second, third = bar(20, 50, 300, 20), bar(20, 70, 300, 20), bar(20, 90, 300, 20)
    heights = heights_mm([first, second, third], flat(), size_px=SIZE)
    assert heights == pytest.approx([20, 20, 20], abs=3)


def test_no_pile_is_taken_for_higher_than_a_handful() -> None:
    many = [bar(20, 20 + 60 * k, 300, 60) for k in range(4)]
    assert (heights_mm(many, flat(mm_per_px=1.0), size_px=SIZE) <= MOST_MM).all()


@pytest.mark.parametrize("height_mm", [0.0, 10.0, 20.0])
def test_the_interval_holds_the_true_width_at_any_height_up_to_the_most(height_mm: float) -> None:
    # At height h the camera, 250 mm up, sees a 15 mm tube as 15 * 250 / (250 - h).
    true_mm, camera_mm = 15.0, 250.0
    seen = true_mm * camera_mm / (camera_mm - height_mm)
    told = on_pile(measured(size(seen, 0.1)), 20.0, flat(camera_mm=camera_mm)).diameter
    assert told is not None
    assert told.low95 <= true_mm <= told.high95
    assert told.u > 0.1


def test_what_touches_nothing_stays_as_it_was() -> None:
    widths = measured(size(15.0, 0.1))
    assert on_pile(widths, 0.0, flat()) is widths


def test_a_person_is_told_how_much_thinner_it_may_be() -> None:
    # 20 of 250 mm: 8 %.
    widths = on_pile(measured(size(15.0, 0.1)), 20.0, flat())
    assert widths.notes == ("it touches others: if it lies on them it is up to 8 % thinner",)
