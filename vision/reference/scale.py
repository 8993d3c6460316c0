"""How big is a pixel? The scale of a photo from a reference lying beside the piece.

Nothing falls back quietly: without a reference that can be trusted there is no scale.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rules.errors import PhotoError
from vision.problems import photo_error
from vision.reference.card.finding import detect_card
from vision.reference.markers import (
    MIN_SIDE_PX,
    MODULES,
    Marker,
    detect_markers,
    has_large_markers,
    outward,
)
from vision.reference.places import Place
from vision.reference.plane import UNIT_SQUARE, Plane, fit_plane, lens_of, mapped
from vision.reference.references import (
    CARD_THICKNESS_MM,
    PAPER_MM,
    U_CARD_HEIGHT_REL,
    U_CARD_THICKNESS_MM,
    U_CARD_WIDTH_REL,
    U_PAPER_MM,
    U_PRINT_MEASURED_REL,
    U_PRINT_REL,
    U_SHEET_MM,
    parse_reference,
)
from vision.reference.sheet import FIRST_ID, SheetGeometry, sheet_geometry
from vision.reference.sheet_white import sheet_white
from vision.types import FloatArray, Photo, Scale

MAX_TILT_DEG = 35.0  # beyond, a piece's height shifts its edges more than the budget allows for
U_MARKER_EDGE_PX = 0.1  # that both edges share: 0.8 % of the smallest side
# Blur reaches from border to border, the more the wider it is against a module. On the same
# photos, blurred: off by 0.2 % at 0.20 modules, 0.5 % at 0.24, 0.9 % at 0.28 (median), by
# several percent over 0.30.
U_MARKER_BLUR_REL, BLUR_MODULES, BLUR_POWER = 0.009, 0.28, 4
MAX_BLUR_MODULES = 0.30
# Misfit that a flat, undistorted reference can't show: half a pixel, or as a share of the
# reference where that is larger (curled paper and lens distortion grow with it).
MAX_RESIDUAL_PX = 0.5
MAX_RESIDUAL_SHARE = 2.5e-3
# Phones correct their lenses to about this over the middle of the picture: assumed, no source.
U_LENS_REL = 0.0015
QUIET_ZONE_MODULES = 1.0
SHEET_MARKERS = 4
SAME_SIZE_TOLERANCE = 0.04


def detect_scale(
    photo: Photo,
    reference: str = "auto",
    *,
    print_scale: float = 1.0,
    places: Sequence[Place] = (),
) -> Scale:
    """Return the scale of the photo on the plane of the reference's upper face.

    Args:
        photo: The photo; the reference lies on the same table as the piece.
        reference: ``auto`` (the printed sheet, else an ID-1 card), ``sheet``, ``card``,
            ``marker:MM``, or a coin's key.
        print_scale: For the sheet: measured length of its check bar over 50 mm.
            Anything but 1 counts as measured.
        places: Where the surface network sees a reference; nowhere else is a card or coin.

    Raises:
        PhotoError: ``no_reference``, ``unknown_reference``, ``tilt_too_big``,
            ``reference_too_small``, ``residual_too_big``, ``references_disagree``; for
            coins see ``scale_from_coin``. Each with what to do.
    """
    wanted = parse_reference(reference)
    if wanted.kind == "coin":
        from vision.reference.coin.coins import scale_from_coin

        return scale_from_coin(photo, wanted.key, places=places)
    if wanted.kind == "card":
        return _card_scale(photo, places)
    if wanted.kind == "sheet":
        markers = detect_markers(photo, hoped_for=SHEET_MARKERS)
        return _sheet_scale(photo, markers, print_scale=print_scale)
    if wanted.size_mm is not None:
        return _marker_scale(photo, detect_markers(photo), key=wanted.key, side_mm=wanted.size_mm)
    return _auto_scale(photo, places, print_scale=print_scale)


def _auto_scale(photo: Photo, places: Sequence[Place], *, print_scale: float) -> Scale:
    """The sheet, else a card. A sheet that a glance misses has markers under 72 px on 12
    megapixels, 3 px a mm: a card beside it serves better, and it still counts without one.
    """
    at_a_glance = has_large_markers(photo)
    markers = detect_markers(photo, hoped_for=SHEET_MARKERS) if at_a_glance else ()
    if _sheet_markers(markers):
        return _sheet_scale(photo, markers, print_scale=print_scale)
    try:
        return _card_scale(photo, places)
    except PhotoError as fault:
        if fault.code != "no_reference":
            raise
    markers = markers if at_a_glance else detect_markers(photo, hoped_for=SHEET_MARKERS)
    if _sheet_markers(markers):
        return _sheet_scale(photo, markers, print_scale=print_scale)
    if markers:
        raise photo_error("no_reference.marker_size")
    raise photo_error("no_reference")


def _sheet_markers(markers: Sequence[Marker]) -> list[tuple[SheetGeometry, list[Marker]]]:
    """Return the papers of which at least two different markers are in view."""
    found = []
    for paper in FIRST_ID:
        geometry = sheet_geometry(paper)
        own = [marker for marker in markers if marker.id in geometry.markers]
        ids = [marker.id for marker in own]
        if len(ids) >= 2 and len(set(ids)) == len(ids):
            found.append((geometry, own))
    return found


def _sheet_scale(photo: Photo, markers: Sequence[Marker], *, print_scale: float) -> Scale:
    sheets = _sheet_markers(markers)
    if not sheets:
        raise photo_error("no_reference.sheet")
    geometry, own = max(sheets, key=lambda sheet: len(sheet[1]))
    points_px = np.concatenate([marker.corners_px for marker in own])
    points_mm = np.concatenate([geometry.markers[marker.id] for marker in own]) * print_scale
    u_px = float(np.sqrt(np.mean([marker.u_px**2 for marker in own])))
    plane = fit_plane(points_px, points_mm, u_px=u_px, lens=lens_of(photo))
    px_from_nominal = np.linalg.inv(plane.mm_from_px) @ np.diag([print_scale, print_scale, 1.0])
    outlines = [outward(marker.corners_px, QUIET_ZONE_MODULES) for marker in own]
    for x, y, width, height in geometry.bands_mm:
        band = np.array([x, y]) + UNIT_SQUARE * (width, height)
        outlines.append(mapped(band, px_from_nominal))
    return _scale_of(
        plane,
        reference="sheet",
        side_px=min(marker.side_px for marker in own),
        extent_px=float(np.ptp(points_px, axis=0).max()),
        residual_px=plane.residual_px,
        tolerance=(
            {"print_scale": U_PRINT_REL}
            if print_scale == 1.0
            else {"print_scale_measured": U_PRINT_MEASURED_REL}
        ),
        outlines=tuple(outlines),
        face_height_mm=0.0,
        u_height_mm=U_SHEET_MM,
        white=sheet_white(photo.rgb, geometry, px_from_nominal),
    )


def _marker_scale(photo: Photo, markers: Sequence[Marker], *, key: str, side_mm: float) -> Scale:
    if not markers:
        raise photo_error("no_reference.marker")
    best = markers[0]
    blur = best.blur_px / (best.side_px / MODULES)
    if blur > MAX_BLUR_MODULES:
        raise photo_error(
            "reference_too_small.marker_blurred", side_px=best.side_px, blur_px=best.blur_px
        )
    plane = fit_plane(best.corners_px, UNIT_SQUARE * side_mm, u_px=best.u_px, lens=lens_of(photo))
    for other in markers[1:]:
        if other.side_px >= MIN_SIDE_PX / 2:  # smaller ones tell too little
            _check_agreement(plane, other, side_mm)
    return _scale_of(
        plane,
        reference=key,
        side_px=best.side_px,
        extent_px=best.side_px,
        residual_px=float(np.hypot(plane.residual_px, best.edge_rms_px)),
        tolerance={
            "print_scale": U_PRINT_REL,
            "marker_edges": U_MARKER_EDGE_PX / best.side_px,
            "marker_blur": U_MARKER_BLUR_REL * (blur / BLUR_MODULES) ** BLUR_POWER,
        },
        outlines=tuple(outward(marker.corners_px, QUIET_ZONE_MODULES) for marker in markers),
        face_height_mm=PAPER_MM,
        u_height_mm=U_PAPER_MM,
        white=best.white,
    )


def _check_agreement(plane: Plane, other: Marker, side_mm: float) -> None:
    """Refuse when another marker in view would tell of another scale."""
    corners = mapped(other.corners_px, plane.mm_from_px)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if abs(float(sides.mean()) / side_mm - 1) > SAME_SIZE_TOLERANCE:
        raise photo_error("references_disagree", side_mm=side_mm, other_mm=sides.mean())


def _card_scale(photo: Photo, places: Sequence[Place]) -> Scale:
    card = detect_card(photo, places=places)
    return _scale_of(
        card.plane,
        reference="card",
        side_px=None,
        extent_px=card.long_side_px,
        residual_px=card.residual_px,
        tolerance={
            "card_size": float(np.hypot(U_CARD_WIDTH_REL, U_CARD_HEIGHT_REL) / 2),
            "card_edges": card.u_edge_rel,
        },
        outlines=(card.outline_px,),
        face_height_mm=CARD_THICKNESS_MM,
        u_height_mm=U_CARD_THICKNESS_MM,
        white=None,  # nobody knows a card's colour
    )


def _scale_of(
    plane: Plane,
    *,
    reference: str,
    side_px: float | None,
    extent_px: float,
    residual_px: float,
    tolerance: dict[str, float],
    outlines: tuple[FloatArray, ...],
    face_height_mm: float,
    u_height_mm: float,
    white: FloatArray | None,
) -> Scale:
    """Check that the plane can be trusted and put the budget together."""
    if side_px is not None and side_px < MIN_SIDE_PX:
        raise photo_error("reference_too_small.marker", side_px=side_px, least_px=MIN_SIDE_PX)
    if plane.tilt_deg > MAX_TILT_DEG:
        raise photo_error("tilt_too_big", tilt_deg=plane.tilt_deg)
    if residual_px > max(MAX_RESIDUAL_PX, MAX_RESIDUAL_SHARE * extent_px):
        raise photo_error("residual_too_big", residual_px=residual_px)
    height = plane.camera_mm[2]
    budget = {
        "edge_fit": plane.u_fit_rel,
        "shape": plane.residual_px / extent_px,
        **tolerance,
        "lens_distortion": U_LENS_REL,
        "face_height": u_height_mm / height,
        "focal_length": face_height_mm / height * plane.u_camera_rel,
    }
    return Scale(
        reference=reference,
        mm_from_px=plane.mm_from_px,
        mm_per_px=plane.mm_per_px,
        u_rel=float(np.sqrt(sum(part**2 for part in budget.values()))),
        budget=budget,
        tilt_deg=plane.tilt_deg,
        residual_px=residual_px,
        outlines_px=outlines,
        face_height_mm=face_height_mm,
        camera_mm=plane.camera_mm,
        u_camera_rel=plane.u_camera_rel,
        white=white,
        u_away_rel_per_mm=plane.u_away_rel_per_mm,
    )
