"""The printed sheet: what is on the page is what the geometry says."""

from functools import cache

import cv2
import numpy as np
import pypdfium2
import pytest

from app.printed_sheet import printed_sheet_pdf
from rules.errors import ContractError, PhotoError
from tests.vision.flat_scenes import camera_over, photo_of
from vision.reference.markers import detect_markers
from vision.reference.scale import detect_scale
from vision.reference.sheet import PATCH_CODES, sheet_geometry
from vision.types import FloatArray, Image, Photo, Scale

DPI = 254  # 10 px/mm


@cache
def page(paper: str, dpi: int = DPI) -> Image:
    document = pypdfium2.PdfDocument(printed_sheet_pdf(paper))
    assert len(document) == 1
    try:
        return np.array(document[0].render(scale=dpi / 72).to_pil().convert("RGB"))
    finally:
        document.close()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_rendered_markers_lie_where_the_geometry_says(paper: str) -> None:
    geometry = sheet_geometry(paper)
    markers = detect_markers(Photo(name="page", sha256="", rgb=page(paper)))
    assert {marker.id for marker in markers} == set(geometry.markers)
    middles = {}
    for marker in markers:
        # 25.4 mm to the inch; pixel centres are whole numbers; the renderer fills every
        # pixel that a rectangle touches, up to 0.1 mm
        found_mm = (marker.corners_px + 0.5) * 25.4 / DPI
        assert found_mm == pytest.approx(geometry.markers[marker.id], abs=0.12)
        middles[marker.id] = found_mm.mean(axis=0)
    first, _, third, _ = sorted(middles)
    true = np.hypot(*(geometry.markers[third] - geometry.markers[first]).mean(axis=0))
    assert np.hypot(*(middles[third] - middles[first])) == pytest.approx(true, rel=5e-4)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_page_has_the_paper_size(paper: str, size_mm: tuple[float, float]) -> None:
    # ISO 216 and 8.5 x 11 in x 25.4
    height, width = page(paper).shape[:2]
    assert width * 25.4 / DPI == pytest.approx(size_mm[0], abs=0.2)
    assert height * 25.4 / DPI == pytest.approx(size_mm[1], abs=0.2)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_check_bar_is_50_mm_long_on_the_page(paper: str) -> None:
    (x0, y), (x1, _) = sheet_geometry(paper).bar_mm
    assert x1 - x0 == pytest.approx(50.0)
    row = page(paper)[round((y + 2.5) * DPI / 25.4), :, 0]
    near = row[round((x0 - 5) * DPI / 25.4) : round((x1 + 5) * DPI / 25.4)]
    dark = np.flatnonzero(near < 128)
    assert (dark.max() - dark.min()) * 25.4 / DPI == pytest.approx(50.0, abs=0.25)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_work_area_is_bare_paper_and_patches_have_their_grey(paper: str) -> None:
    geometry, picture = sheet_geometry(paper), page(paper)

    def crop(box: tuple[float, float, float, float]) -> Image:
        x, y, w, h = (round(v * DPI / 25.4) for v in box)
        return picture[y + 2 : y + h - 2, x + 2 : x + w - 2]

    assert crop(geometry.work_area_mm).min() == 255
    for patch, code in zip(geometry.patches, PATCH_CODES, strict=True):
        assert np.median(crop(patch.box_mm)) == pytest.approx(code, abs=1)
    _, y, _, h = geometry.work_area_mm
    for bx, by, bw, bh in geometry.bands_mm:
        assert by + bh <= y + 1e-9 or by >= y + h - 1e-9
        assert bx >= 0
        assert bx + bw <= geometry.width_mm


def test_nominal_grey_follows_the_srgb_curve() -> None:
    # IEC 61966-2-1: code 188 is 0.502886 linear
    from vision.reference.sheet import GreyPatch

    patch = GreyPatch(box_mm=(0, 0, 1, 1), code=188)
    assert patch.nominal_reflectance == pytest.approx(0.502886, abs=1e-5)


def test_unknown_paper_is_refused() -> None:
    with pytest.raises(ContractError, match="a4, letter"):
        printed_sheet_pdf("a3")


def test_printing_twice_gives_the_same_bytes() -> None:
    assert printed_sheet_pdf("a4") == printed_sheet_pdf("a4")


def sheet_photo(
    seed: int,
    *,
    tilt_deg: float = 10.0,
    light: tuple[float, float, float] = (0.8, 0.7, 0.6),
    height_mm: float = 420.0,
    look_at_mm: tuple[float, float] = (105.0, 148.5),
    roll_deg: float = 90.0,
    hide: tuple[int, ...] = (),
) -> tuple[Photo, "np.ndarray[tuple[int, int], np.dtype[np.float64]]"]:
    """The A4 page as photographed, and its true px-from-mm."""
    rng = np.random.default_rng(seed)
    camera = camera_over(
        rng,
        height_mm=height_mm,
        tilt_deg=tilt_deg,
        look_at_mm=look_at_mm,
        size_px=(1600, 1200),
        roll_deg=roll_deg,
    )
    dpi = 127
    flat = page("a4", dpi).copy()
    for number in hide:
        (x, y), (x1, y1) = sheet_geometry("a4").markers[number][[0, 2]] * dpi / 25.4
        flat[round(y) + 18 : round(y1) - 18, round(x) - 9 : round(x1)] = 120
    coded = flat.astype(np.float32) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    step = 25.4 / dpi
    mm_from_page = np.array([[step, 0, 0.5 * step], [0, step, 0.5 * step], [0, 0, 1]])
    warped = cv2.warpPerspective(
        linear.astype(np.float32),
        camera.px_from_mm() @ mm_from_page,
        (1600, 1200),
        flags=cv2.INTER_AREA,
        borderValue=(0.2, 0.15, 0.1),
    )
    photo = photo_of(warped * np.array(light, np.float32), rng=rng, blur_px=0.8)
    return photo, camera.px_from_mm()


def length_mm(photo_scale: Scale, px_from_mm: FloatArray, ends: object) -> float:
    at = cv2.perspectiveTransform(np.array([ends], float), px_from_mm)[0]
    a, b = photo_scale.to_mm(np.asarray(at))
    return float(np.hypot(*(b - a)))


@pytest.mark.parametrize("seed", [0, 1])
def test_photographed_sheet_recovers_the_geometry(seed: int) -> None:
    photo, px_from_mm = sheet_photo(seed, tilt_deg=9.0 + 8 * seed)
    scale = detect_scale(photo, "auto")
    assert scale.reference == "sheet"
    for ends in ([[105, 100], [105, 200]], [[60, 150], [150, 150]], [[30, 70], [60, 70]]):
        true = float(np.hypot(*np.subtract(ends[1], ends[0])))
        assert length_mm(scale, px_from_mm, ends) == pytest.approx(true, rel=1e-3)
    assert scale.face_height_mm == 0.0
    assert len(scale.outlines_px) == 6


def test_sheet_white_gives_the_light() -> None:
    scale = detect_scale(sheet_photo(2, light=(0.8, 0.6, 0.4))[0], "sheet")
    assert scale.white == pytest.approx([0.8, 0.6, 0.4], rel=0.02)


def test_grey_patches_stand_in_for_clipped_paper() -> None:
    scale = detect_scale(sheet_photo(2, light=(1.25, 1.2, 1.1))[0], "sheet")
    assert scale.white == pytest.approx([1.25, 1.2, 1.1], rel=0.04)


def test_print_scale_is_a_correction_and_halves_its_doubt() -> None:
    photo, px_from_mm = sheet_photo(3)
    plain = detect_scale(photo, "sheet")
    longer = detect_scale(photo, "sheet", print_scale=1.02)
    assert longer.mm_per_px == pytest.approx(1.02 * plain.mm_per_px, rel=1e-4)
    assert longer.u_rel < plain.u_rel
    ends = [[60, 150], [150, 150]]
    assert length_mm(longer, px_from_mm, ends) == pytest.approx(91.8, rel=1e-3)
    assert longer.white == pytest.approx(plain.white, rel=1e-3), "read in the same places"


def test_two_hidden_markers_still_give_a_scale_and_three_do_not() -> None:
    photo, px_from_mm = sheet_photo(4, hide=(40, 42))
    ends = [[60, 150], [150, 150]]
    assert length_mm(detect_scale(photo, "sheet"), px_from_mm, ends) == pytest.approx(90, rel=3e-3)
    with pytest.raises(PhotoError) as caught:
        detect_scale(sheet_photo(4, hide=(40, 42, 43))[0], "sheet")
    assert caught.value.code == "no_reference"


def test_a_sheet_missed_at_a_glance_still_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    photo = sheet_photo(0)[0]
    want = detect_scale(photo, "auto")
    monkeypatch.setattr("vision.reference.scale.has_large_markers", lambda _: False)
    assert detect_scale(photo, "auto").mm_per_px == want.mm_per_px
