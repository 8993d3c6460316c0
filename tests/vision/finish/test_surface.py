"""The surface network's runtime: where its answer lies, and what it refuses.

Pixel places are checked against drawn shapes whose place is known by construction
(OpenCV's documented half-pixel convention); the temperature against Guo et al. 2017,
equation 9; coverage against counting pixels.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import ContractError, InstallError
from rules.findings import Form, What
from tests.vision.drawn_head import head_of
from vision.finish.surface import (
    MULTIPLE_PX,
    SCHEMA,
    WHITE_TARGET,
    RawMaps,
    SurfaceModel,
    cover,
    load_surface_model,
    mean_p,
    plan_view,
    predict,
    read_surface_model,
    surface_map,
    whiten,
)
from vision.types import Image, Photo, Surface, SurfaceMap

TINY = Path(__file__).parents[1] / "data" / "averaging.onnx"
HEAD = TINY.with_name("pooling.onnx")
CLASSES = len(Surface)
BRIGHT = list(Surface).index(Surface.BRIGHT)
TAUGHT = [s for s in Surface if s not in (Surface.INSULATION, Surface.STRANGER)]
"""Classes of the network in the file, fewer than there are."""


def averaging(view: Image) -> RawMaps:
    """A network whose 'bright' logit is the mean red of each 4 x 4 cell.

    Its outlines are red and green themselves.
    """
    h, w = view.shape[0] // 4, view.shape[1] // 4
    mean = view.astype(np.float32).reshape(h, 4, w, 4, 3).mean(axis=(1, 3))
    logits = np.zeros((CLASSES, h, w), np.float32)
    logits[BRIGHT] = mean[..., 0] / 255
    return RawMaps(
        logits=logits,
        tarnish_level=mean[..., 1] / 255,
        outline=view[..., :2].transpose(2, 0, 1).astype(np.float32) / 255,
        features=mean.transpose(2, 0, 1),
    )


def taught_less(view: Image) -> RawMaps:
    """The same network, never taught two of the classes."""
    raw = averaging(view)
    for untaught in set(Surface) - set(TAUGHT):
        raw.logits[list(Surface).index(untaught)] = -np.inf
    return raw


def model_of(
    network: Callable[[Image], RawMaps] = averaging, *, temperature: float = 1.0
) -> SurfaceModel:
    return SurfaceModel(
        network=network,
        piece=head_of(),
        temperature=temperature,
    )


def photo_of(rgb: Image) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=rgb)


def spot(width: int, height: int, *, at: tuple[float, float], sigma: float) -> Image:
    """A soft white spot on black, its centre at a fraction of a pixel.

    Soft, so that its centre of mass outlives averaging over cells (a sharp disc's
    does not, by a hundredth of a cell).
    """
    x = np.exp(-0.5 * ((np.arange(width) - at[0]) / sigma) ** 2)
    y = np.exp(-0.5 * ((np.arange(height) - at[1]) / sigma) ** 2)
    picture = np.round(255 * y[:, None] * x[None, :]).astype(np.uint8)
    return np.repeat(picture[..., None], 3, axis=2)


def centroid(plane: np.ndarray, box: tuple[int, int, int, int]) -> tuple[float, float]:
    """Centre of mass in photo pixels of a plane that covers a box."""
    rows, columns = plane.shape
    x = box[0] - 0.5 + (np.arange(columns) + 0.5) * box[2] / columns
    y = box[1] - 0.5 + (np.arange(rows) + 0.5) * box[3] / rows
    return (
        float((plane.sum(axis=0) * x).sum() / plane.sum()),
        float((plane.sum(axis=1) * y).sum() / plane.sum()),
    )


@pytest.mark.parametrize(
    ("size", "box"),
    [
        ((640, 480), None),  # not resized
        ((1000, 1333), None),  # neither side a multiple of 32
        ((2016, 1512), None),
        ((2016, 1512), (900, 700, 301, 77)),
        ((2016, 1512), (700, 500, 800, 800)),
        ((2016, 1512), (20, 650, 1980, 90)),  # the view reaches past the photo's ends
        ((200, 150), (60, 40, 90, 60)),  # the photo is hardly more than a view
    ],
)
def test_a_spot_is_found_where_it_was_drawn(
    size: tuple[int, int], box: tuple[int, int, int, int] | None
) -> None:
    at = (size[0] * 0.53 + 0.3, size[1] * 0.47 + 0.4)
    if box is not None:
        at = (box[0] + box[2] * 0.5 + 0.3, box[1] + box[3] * 0.5 + 0.2)
    picture = spot(*size, at=at, sigma=8 if max(size) < 300 else 22)
    drawn = centroid(picture[..., 0].astype(float), (0, 0, *size))
    answer = surface_map(photo_of(picture), model=model_of(), box=box)
    found = centroid(answer.tarnish_level.astype(float), answer.box_px)
    # Rounding the resized picture to bytes is all that may move it.
    assert np.hypot(found[0] - drawn[0], found[1] - drawn[1]) < 0.05


@settings(max_examples=200, deadline=None)
@given(data=st.data(), width=st.integers(40, 4100), height=st.integers(40, 4100))
def test_a_view_holds_the_box_and_fits_the_network(
    data: st.DataObject, width: int, height: int
) -> None:
    x, y = data.draw(st.integers(0, width - 1)), data.draw(st.integers(0, height - 1))
    w, h = data.draw(st.integers(1, width - x)), data.draw(st.integers(1, height - y))
    view = plan_view(width, height, box=(x, y, w, h))
    left, top, wide, high = view.box_px
    assert 0 <= left <= x
    assert 0 <= top <= y
    assert x + w <= left + wide <= width
    assert y + h <= top + high <= height
    assert view.width_px % MULTIPLE_PX == 0 < view.width_px
    assert view.height_px % MULTIPLE_PX == 0 < view.height_px
    assert view.width_px * view.height_px < 2 * 512 * 512
    # A cell is square except where the photo ends.
    across, down = view.width_px / wide, view.height_px / high
    # By at most half of 32 px, of sides from 128 px on.
    assert max(across, down) <= 1 + 16 / 128 or min(wide, high) < 128
    if wide < width and high < height:
        assert across == pytest.approx(down, rel=0.01)


def test_a_small_piece_keeps_the_pixels_of_the_photo() -> None:
    view = plan_view(4032, 3024, box=(2000, 1500, 300, 14))
    assert view.box_px[2:] == (view.width_px, view.height_px)


@pytest.mark.parametrize("box", [(-1, 0, 5, 5), (0, 0, 0, 5), (630, 0, 20, 5), (0, 470, 5, 20)])
def test_a_box_outside_the_photo_is_refused(box: tuple[int, int, int, int]) -> None:
    with pytest.raises(ContractError, match="not inside 640 x 480"):
        plan_view(640, 480, box=box)


def test_white_comes_out_at_the_level_the_network_was_trained_with() -> None:
    # Linear light of the codes by the curve of IEC 61966-2-1.
    seen = np.array([200, 170, 120], np.uint8)
    code = seen / 255
    linear = ((code + 0.055) / 1.055) ** 2.4
    picture = np.broadcast_to(seen, (4, 6, 3)).copy()
    made = whiten(picture, white=linear)
    target = round(255 * (1.055 * WHITE_TARGET ** (1 / 2.4) - 0.055))
    assert made.shape == picture.shape
    assert np.abs(made.astype(int) - target).max() <= 1
    assert whiten(picture, white=None) is picture


def test_a_nonsense_white_changes_a_channel_by_a_limited_factor() -> None:
    picture = np.full((2, 2, 3), 100, np.uint8)
    made = whiten(picture, white=np.array([0.0, 0.5, 9.0]))
    lift = ((made[0, 0] / 255 + 0.055) / 1.055) ** 2.4 / ((100 / 255 + 0.055) / 1.055) ** 2.4
    assert lift[0] == pytest.approx(6.0, rel=0.03)
    assert lift[2] == pytest.approx(0.25, rel=0.03)


def test_temperature_divides_the_logits() -> None:
    view = np.full((64, 64, 3), 255, np.uint8)
    for temperature in (0.5, 1.0, 2.5):
        answer = predict(model_of(temperature=temperature), view, box_px=(0, 0, 64, 64))
        odds = np.log(answer.p[BRIGHT] / answer.p[0])
        assert odds == pytest.approx(1 / temperature, rel=1e-4)
        assert answer.p.sum(axis=0) == pytest.approx(1.0, abs=1e-5)


def test_huge_logits_give_no_overflow() -> None:
    def sure(view: Image) -> RawMaps:
        raw = averaging(view)
        return replace(raw, logits=raw.logits * 1e4)

    view = np.full((64, 64, 3), 255, np.uint8)
    answer = predict(model_of(sure), view, box_px=(0, 0, 64, 64))
    assert np.isfinite(answer.p).all()
    assert answer.p[BRIGHT].min() > 0.999


def test_a_network_that_breaks_its_contract_is_refused() -> None:
    def coarse(view: Image) -> RawMaps:
        raw = averaging(view)
        return replace(raw, logits=raw.logits[:, ::2, ::2])

    view = np.zeros((64, 64, 3), np.uint8)
    with pytest.raises(ContractError, match=r"view of \(64, 64, 3\)"):
        predict(model_of(coarse), view, box_px=(0, 0, 64, 64))


@pytest.mark.parametrize(
    "box", [(0, 0, 64, 48), (13, 7, 31, 22), (40, 30, 60, 60), (-9, -5, 30, 30)]
)
@pytest.mark.parametrize("cell", [1, 4, 3.2])
def test_cover_is_the_area_of_the_mask_in_each_cell(
    box: tuple[int, int, int, int], cell: float
) -> None:
    columns, rows = round(64 / cell), round(48 / cell)
    surface = SurfaceMap(
        p=np.full((CLASSES, rows, columns), 0.1, np.float32),
        tarnish_level=np.zeros((rows, columns), np.float32),
        box_px=(0, 0, 64, 48),
        outline=np.zeros((2, 4 * rows, 4 * columns), np.float32),
    )
    rng = np.random.default_rng(3)
    mask = rng.random((box[3], box[2])) < 0.5
    found = cover(surface, mask, box_px=box)
    # Counted on a grid ten times finer than the photo, which every cell here divides.
    fine = np.zeros((480, 640))
    for (j, i), inside in np.ndenumerate(mask):
        x, y = box[0] + i, box[1] + j
        if inside and 0 <= x < 64 and 0 <= y < 48:
            fine[10 * y : 10 * y + 10, 10 * x : 10 * x + 10] = 1
    step = round(10 * cell)
    counted = fine.reshape(rows, step, columns, step).mean(axis=(1, 3))
    assert found == pytest.approx(counted, abs=1e-6)


def test_shares_of_a_piece_do_not_take_in_the_table() -> None:
    p = np.zeros((CLASSES, 12, 16), np.float32)
    p[0] = 1.0
    p[:, 4:8, 4:12] = 0.0
    p[2, 4:8, 4:10] = 1.0
    p[3, 4:8, 10:12] = 1.0
    surface = SurfaceMap(
        p=p,
        tarnish_level=np.zeros((12, 16), np.float32),
        box_px=(100, 200, 64, 48),
        outline=np.zeros((2, 48, 64), np.float32),
    )
    weights = cover(surface, np.ones((16, 32), bool), box_px=(116, 216, 32, 16))
    mean = mean_p(surface, weights)
    assert mean[2] == pytest.approx(0.75)
    assert mean[3] == pytest.approx(0.25)
    with pytest.raises(ContractError, match="outside"):
        mean_p(surface, cover(surface, np.ones((5, 5), bool), box_px=(500, 500, 5, 5)))


def metadata_for(content: bytes, **changes: str) -> str:
    told = {
        "schema": f'"{SCHEMA}"',
        "file": '"surface.onnx"',
        "sha256": f'"{hashlib.sha256(content).hexdigest()}"',
        "classes": "[" + ", ".join(f'"{s}"' for s in TAUGHT) + "]",
        "temperature": "1.5",
    } | changes
    head = "\n".join(f"{k} = {told[k]}" for k in ("schema", "file", "sha256", "classes"))
    return f"{head}\n[calibration]\ntemperature = {told['temperature']}\n{metadata_of_head()}"


def metadata_of_head() -> str:
    """Return the part of the description that is about the head for the piece."""
    piece = f'file = "piece.onnx"\nsha256 = "{hashlib.sha256(HEAD.read_bytes()).hexdigest()}"'
    lines = [f"[piece]\n{piece}"]
    lines.append(
        "[piece_calibration]\nstrangeness_limit = 1.0\nu_tarnish_scale = 1.0\nkappa_scale = 1.0"
    )
    for form in Form:
        rates = "\n".join(f"{what} = 0.3" for what in What)
        lines.append(f"[learned_rates.{form}]\n{rates}")
    mix = "\n".join(f"{form} = 0.2" for form in Form)
    return "\n".join([*lines, f"[learned_rates.form]\n{mix}\n"])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(TINY, tmp_path / "surface.onnx")
    shutil.copy(HEAD, tmp_path / "piece.onnx")
    told = metadata_for(TINY.read_bytes())
    (tmp_path / "surface.toml").write_text(told, encoding="utf-8")
    return tmp_path


def test_a_model_from_a_file_answers_like_the_same_network_in_python(folder: Path) -> None:
    model = read_surface_model(folder)
    assert model.temperature == 1.5
    picture = np.random.default_rng(0).integers(0, 256, (160, 224, 3), dtype=np.uint8)
    found = surface_map(photo_of(picture), model=model)
    wanted = surface_map(photo_of(picture), model=model_of(taught_less, temperature=1.5))
    assert found.p == pytest.approx(wanted.p, abs=1e-5)
    assert found.p.sum(axis=0) == pytest.approx(1.0, abs=1e-5)
    assert found.p[list(Surface).index(Surface.STRANGER)].max() == 0.0
    assert found.tarnish_level == pytest.approx(wanted.tarnish_level, abs=1e-5)
    assert found.outline == pytest.approx(wanted.outline, abs=1e-5)
    assert found.features == pytest.approx(wanted.features, abs=1e-3)
    assert model.piece.learned[What.TIN][Form.WIRE] == 0.3
    assert found.box_px == (0, 0, 224, 160)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"classes": '["table", "copper"]'}, "other classes"),
        ({"temperature": "0.0"}, "calibration.temperature must be a positive number"),
        ({"temperature": '"much"'}, "calibration.temperature must be a positive"),
        ({"temperature": "inf"}, "calibration.temperature must be a positive"),
    ],
)
def test_metadata_that_do_not_fit_are_refused_in_words(
    folder: Path, change: dict[str, str], said: str
) -> None:
    told = metadata_for((folder / "surface.onnx").read_bytes(), **change)
    (folder / "surface.toml").write_text(told, encoding="utf-8")
    with pytest.raises(InstallError, match=said) as raised:
        read_surface_model(folder)
    assert raised.value.where == "models/surface.toml"


def test_the_model_that_ships_is_read_once() -> None:
    assert load_surface_model() is load_surface_model()
