"""A drawn photo with what was found on it, for the tests of what is shown of it."""

from __future__ import annotations

import cv2
import numpy as np

from rules.findings import (
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Presence,
    Unit,
    What,
)
from vision.types import Examination, Photo, PieceReading, Problem, Region, Scale

SHARES = {
    Finish.BRIGHT: 0.82,
    Finish.TARNISHED: 0.18,
    Finish.GREEN: 0.0,
    Finish.COATED: 0.0,
    Finish.TINNED: 0.0,
}


def mm(value: float, u: float) -> Measurement:
    return Measurement.normal(value, u, Unit.MILLIMETRE)


def finish(*, tarnish: float = 0.12, shares: dict[Finish, float] | None = None) -> FinishFinding:
    shares = SHARES if shares is None else shares
    return FinishFinding(
        shares=shares,
        u=dict.fromkeys(Finish, 0.04),
        tarnish_level=Measurement.normal(tarnish, 0.04, Unit.ONE),
    )


def findings(
    form: Form = Form.WIRE,
    *,
    diameter: Measurement | None = None,
    strand: Measurement | None = None,
    solder: float = 0.02,
    brass: float = 0.02,
    tarnish: float = 0.12,
    facts: Facts | None = None,
) -> Findings:
    return Findings(
        form=FormFinding(p={f: 0.96 if f is form else 0.01 for f in Form}),
        finish=finish(tarnish=tarnish),
        brass=Presence(p=brass, share=0.1),
        solder=Presence(p=solder, share=0.05),
        diameter=diameter,
        strand_diameter=strand,
        facts=facts or Facts(),
    )


def bar(
    size: tuple[int, int], start: tuple[int, int], end: tuple[int, int], width: int
) -> tuple[Region, np.ndarray]:
    """A straight piece: its region, and its whole-photo mask."""
    height, wide = size
    canvas = np.zeros((height, wide), np.uint8)
    cv2.line(canvas, start, end, 1, width)
    contours, _ = cv2.findContours(canvas, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    x, y, w, h = cv2.boundingRect(contours[0])
    region = Region(
        box_px=(x, y, w, h),
        mask=canvas[y : y + h, x : x + w].astype(bool),
        outline_px=contours[0].reshape(-1, 2).astype(np.float64),
        score=0.9,
    )
    return region, canvas.astype(bool)


def across(start: tuple[int, int], end: tuple[int, int], width: int, count: int = 30) -> np.ndarray:
    """Ends of widths measured across a bar, ``(count, 2, 2)``."""
    a, b = np.array(start, float), np.array(end, float)
    along = (b - a) / np.hypot(*(b - a))
    normal = np.array([-along[1], along[0]]) * width / 2
    at = a + (b - a) * np.linspace(0.1, 0.9, count)[:, None]
    return np.stack([at - normal, at + normal], axis=1)


def table(size: tuple[int, int], *, seed: int = 4) -> np.ndarray:
    """A wooden table: grain along x, darker towards one corner."""
    height, width = size
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0, 1, size).astype(np.float32), (0, 0), 25, sigmaY=1.5)
    y, x = np.mgrid[0:height, 0:width]
    light = 1.0 - 0.25 * (x / width + y / height) / 2 + 1.2 * grain
    return np.clip(np.array([176, 142, 108]) * light[..., None], 0, 255).astype(np.uint8)


def examination(
    *, size: tuple[int, int] = (1500, 2000), pieces: int = 3, scale: bool = True
) -> Examination:
    """A photo of up to three pieces and a card; sizes as for a 0.1 mm pixel."""
    f = size[1] / 2000
    rgb = table(size)
    at = lambda x, y: (round(x * f), round(y * f))  # noqa: E731
    spans = [
        (at(150, 1050), at(1250, 1250), round(150 * f)),
        (at(200, 300), at(1150, 420), round(22 * f)),
        (at(250, 620), at(1200, 760), round(64 * f)),
    ]
    colours = [(186, 110, 78), (214, 138, 96), (150, 92, 66)]
    readings = []
    for number, ((start, end, thick), colour) in enumerate(zip(spans, colours, strict=True)):
        region, mask = bar(size, start, end, thick)
        rgb[mask] = colour
        found = [
            findings(Form.TUBE, diameter=mm(15.02, 0.04), solder=0.97, brass=0.91, tarnish=0.45),
            findings(Form.WIRE, diameter=mm(2.21, 0.02), strand=mm(2.21, 0.02)),
            findings(Form.STRANDED, diameter=mm(6.4, 0.05), strand=mm(1.29, 0.03), tarnish=0.3),
        ][number]
        brass: tuple[tuple[int, int, int, int], ...] = ()
        solder: tuple[tuple[int, int, int, int], ...] = ()
        if number == 0:
            x, y, w, h = region.box_px
            brass = (
                (x + w - round(150 * f), y + h - round(210 * f), round(140 * f), round(200 * f)),
            )
            solder = (
                (x + w - round(260 * f), y + h - round(210 * f), round(90 * f), round(180 * f)),
            )
        readings.append(
            PieceReading(
                region=region,
                findings=found,
                boxes_px={What.BRASS: brass, What.SOLDER: solder},
                measured_lines_px=across(start, end, thick),
            )
        )
    card = np.array([at(1400, 250), at(1920, 300), at(1840, 1130), at(1320, 1080)], float)
    cv2.fillPoly(rgb, [card.astype(np.int32)], (222, 226, 232))
    found_scale = Scale(
        reference="card",
        mm_from_px=np.diag([0.1 / f, 0.1 / f, 1.0]),
        mm_per_px=0.1 / f,
        u_rel=0.002,
        budget={"edges": 0.002},
        tilt_deg=4.0,
        residual_px=0.12,
        camera_mm=(0.0, 0.0, 300.0),
        outlines_px=(card,),
        white=np.array([0.8, 0.8, 0.78]),
    )
    problems = (
        ()
        if scale
        else (
            Problem(
                code="no_reference",
                text="No reference was found, so nothing can be measured in mm.",
                fix="Lay a bank card flat beside the piece, wholly in the picture.",
            ),
        )
    )
    return Examination(
        photo=Photo(name="drawn.jpg", sha256="ab" * 32, rgb=rgb),
        scale=found_scale if scale else None,
        pieces=tuple(readings[:pieces]),
        problems=problems,
    )
