"""What trains the surface network and its head: truth of pieces, scores, the warm start."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import onnxruntime
import pytest
from scipy import stats

torch = pytest.importorskip("torch", reason="only training needs PyTorch")
pytest.importorskip("onnx")

from models.recipe.surface import augment, head_only, warm  # noqa: E402
from models.recipe.surface.losses import dense_loss, log_beta  # noqa: E402
from models.recipe.surface.network import EMBEDDING, SurfaceNet  # noqa: E402
from models.recipe.surface.piece_head import (  # noqa: E402
    FORMS,
    PRESENCE,
    DeployedHead,
    PieceHead,
)
from models.recipe.surface.piece_views import counted_rates, piece_views  # noqa: E402
from models.recipe.surface.real import label_photo  # noqa: E402
from models.recipe.surface.store import NO_BARE, NO_COPPER, UNKNOWN, read_truth  # noqa: E402
from models.recipe.surface.train import LEAST_RATE, learned_rates  # noqa: E402
from models.recipe.surface.views import Batch, soft_batch  # noqa: E402
from vision.types import Surface  # noqa: E402

ROOT = Path(__file__).parents[3]
ORDER = list(Surface)
FINE = 256


def batch(labels: np.ndarray, numbers: np.ndarray, strangers: np.ndarray | None = None) -> Batch:
    """A view of 128 px whose truth at twice that is drawn by hand; piece 1 is a tube."""
    level = np.where(labels == ORDER.index(Surface.TARNISHED), 127, UNKNOWN)
    none = np.zeros_like(labels) if strangers is None else strangers
    fine = torch.from_numpy(np.stack([labels, level, numbers, none]).astype(np.uint8))[None]
    forms = torch.full((1, 256), -1, dtype=torch.int8)
    forms[0, 1] = FORMS.index("tube")
    rgb = torch.full((1, 3, FINE // 2, FINE // 2), 128.0)
    return soft_batch(rgb, fine, forms=forms, real=torch.tensor([False]))


def drawn() -> tuple[np.ndarray, np.ndarray]:
    """A tarnished tube, a tenth of it solder, on a table."""
    labels = np.zeros((FINE, FINE), int)
    labels[96:160, 32:192] = ORDER.index(Surface.TARNISHED)
    labels[96:160, 32:48] = ORDER.index(Surface.SOLDER)
    return labels, (labels > 0).astype(int)


def test_a_piece_s_truth_is_what_is_drawn_under_its_cover() -> None:
    found = 0
    for seed in range(20):
        told = piece_views(batch(*drawn()), torch.Generator().manual_seed(seed))
        for k in range(3):
            whole = float(told.cover[0, k].sum()) == pytest.approx(64 * 160 / 64, rel=0.02)
            if told.valid[0, k] == 0 or not whole:
                continue
            found += 1
            present = {n for n, p in zip(PRESENCE, told.presence[0, k], strict=True) if p > 0}
            assert present == {"solder"}
            assert float(told.share[0, k, 5]) == pytest.approx(0.1, abs=0.02)
            assert float(told.tarnish[0, k]) == pytest.approx(0.5, abs=0.01)
            assert (int(told.form[0, k]), float(told.shine[0, k])) == (2, 0.0)
            assert (float(told.strange[0, k]), float(told.strange_asked[0, k])) == (0.0, 1.0)
    assert found >= 5


def test_a_cover_cut_short_is_asked_only_for_what_is_left_under_it() -> None:
    cut = 0
    for seed in range(60):
        told = piece_views(batch(*drawn()), torch.Generator().manual_seed(seed))
        for k in range(3):
            # Cut off by a line to its right: no cell near the solder is left.
            if told.valid[0, k] > 0 and float(told.cover[0, k, :, :8].sum()) == 0:
                cut += 1
                assert float(told.presence[0, k, PRESENCE.index("solder")]) == 0.0
    assert cut > 0


def test_covers_of_nothing_have_nothing_present_and_are_strange() -> None:
    labels = np.full((FINE, FINE), NO_COPPER)
    told = piece_views(
        batch(labels, np.full_like(labels, UNKNOWN)), torch.Generator().manual_seed(1)
    )
    assert told.valid[0, :5].sum() == 0
    assert told.valid[0, 5:].sum() > 0
    judged = told.valid[0] > 0
    assert (told.presence[0][judged][:, :6] == 0).all()
    assert (told.presence_asked[0][judged][:, :6] == 1).all()
    assert (told.presence_asked[0][judged][:, 6:] == 0).all()
    assert (told.strange[0][judged] == 1).all()


def test_a_stranger_of_plastic_is_no_metal_and_strange() -> None:
    labels = np.zeros((FINE, FINE), int)
    labels[64:192, 64:192] = ORDER.index(Surface.STRANGER)
    numbers = np.zeros_like(labels)
    told = piece_views(
        batch(labels, numbers, (labels > 0).astype(int)), torch.Generator().manual_seed(2)
    )
    assert float(told.valid[0, 3]) == 1.0
    assert float(told.presence[0, 3, PRESENCE.index("not_metal")]) == 1.0
    assert float(told.presence[0, 3, PRESENCE.index("other_metal")]) == 0.0
    assert float(told.strange[0, 3]) == 1.0
    assert float(told.counted[0, 3]) == 0.0


def test_rates_are_counted_by_form_and_keep_off_the_ends() -> None:
    total = sum(
        counted_rates(piece_views(batch(*drawn()), torch.Generator().manual_seed(s)))
        for s in range(10)
    )
    rates = learned_rates(total)
    assert rates["tube"]["solder"] > 0.5
    assert rates["tube"]["brass"] == LEAST_RATE
    assert rates["form"]["tube"] == 1.0


def test_the_score_of_a_share_is_the_beta_density_s_logarithm() -> None:
    # scipy.stats.beta as the reference.
    for logit, log_kappa, share in ((0.3, 1.0, 0.2), (-2.0, 3.0, 0.05), (1.5, 0.0, 0.97)):
        mean, kappa = 1 / (1 + np.exp(-logit)), np.exp(log_kappa)
        wanted = stats.beta.logpdf(share, mean * kappa, (1 - mean) * kappa)
        told = log_beta(torch.tensor([logit, log_kappa]), torch.tensor(share))
        assert float(told) == pytest.approx(wanted, abs=1e-4)


def test_where_only_no_copper_is_known_a_jacket_costs_less_than_copper() -> None:
    labels = np.full((FINE, FINE), NO_COPPER)
    view = batch(labels, np.full_like(labels, UNKNOWN))
    weight = torch.ones(len(ORDER))

    def clear(name: Surface) -> float:
        logits = torch.zeros((1, len(ORDER), 32, 32))
        logits[:, ORDER.index(name)] = 6.0
        outline = torch.zeros((1, 2, 128, 128))
        _, parts = dense_loss(logits, torch.zeros((1, 32, 32)), outline, view, weight)
        return float(parts["clear"])

    assert clear(Surface.INSULATION) < 0.1
    assert clear(Surface.BRIGHT) > 3


def test_a_warm_start_says_what_the_shipped_network_says() -> None:
    import tomllib

    import onnxruntime

    path = ROOT / "models" / "surface.onnx"
    classes = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))["classes"]
    photo = cv2.imread(str(ROOT / "fixtures/renders/cable_stripped_end_marker_30.jpg"))
    assert photo is not None
    rgb = cv2.resize(photo, (256, 192), interpolation=cv2.INTER_AREA)[..., ::-1].copy()
    names = ["logits", "tarnish_level", "features"]
    theirs = onnxruntime.InferenceSession(str(path)).run(names, {"rgb": rgb[None]})
    net = SurfaceNet(len(classes))
    warm.from_onnx(net, path, old=classes, new=classes)
    shown = torch.from_numpy(rgb)[None].permute(0, 3, 1, 2).float()
    for measured in (False, True):
        if measured:
            warm.measure_norms(net, [(shown,)])
        net.eval()
        with torch.no_grad():
            logits, tarnish, features, _ = net(shown)
        for a, b in zip((logits, tarnish, features), theirs, strict=True):
            assert float(np.abs(a.numpy() - b).max()) < 2e-3


def test_marks_on_a_real_photo_become_numbered_pieces_and_strangers(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "s1.jpg"), np.full((80, 120, 3), 200, np.uint8))
    marks: list[dict[str, Any]] = [
        {"is": "insulated", "strip": [[10, 20], [60, 20]], "width": 7, "of": 2},
        {"is": "tinned", "strip": [[70, 20], [100, 20]], "width": 3, "of": 2},
        {"is": "stranger", "poly": [[10, 40], [50, 40], [50, 70], [10, 70]]},
        {"is": "other_metal", "disc": [[90, 55]], "radius": 10},
        {"is": "table", "poly": [[30, 45], [70, 45], [70, 65], [30, 65]]},
    ]
    row = {"file": "s1.jpg", "copper_in_view": "jacketed only"}
    out = tmp_path / "out"
    out.mkdir()
    label_photo(row, marks, tmp_path, out)
    told = read_truth(out / "s1.jpg")
    assert told.pieces is not None
    lead, end = told.pieces[20, 30], told.pieces[20, 85]
    assert lead == end != UNKNOWN
    assert told.labels[20, 30] == ORDER.index(Surface.INSULATION)
    assert told.labels[20, 85] == ORDER.index(Surface.TINNED)
    assert (told.labels[55, 20], told.pieces[55, 20]) == (ORDER.index(Surface.STRANGER), 0)
    assert told.strangers[55, 20] != told.strangers[55, 90] > 0
    assert told.pieces[55, 90] == UNKNOWN
    for x in (40, 60):  # over a stranger and beside it
        assert told.labels[55, x] == ORDER.index(Surface.TABLE)
        assert told.pieces[55, x] == told.strangers[55, x] == 0
    assert "table" not in {p["kind"] for p in told.facts["pieces"]}
    assert told.labels[5, 5] == NO_BARE
    assert [p["form"] for p in told.facts["pieces"] if p["id"] == lead] == ["stranded"]


def test_features_kept_for_the_head_are_those_under_its_covers() -> None:
    pieces = piece_views(batch(*drawn()), torch.Generator().manual_seed(2))
    maps = np.random.default_rng(0).normal(size=(1, EMBEDDING, 32, 32)).astype(np.float32)
    kept = head_only.ragged(maps, pieces, torch.Generator().manual_seed(0))
    head = PieceHead().eval()
    features, asked = head_only.batch_of(kept, torch.arange(len(kept["ends"])))
    with torch.no_grad():
        few = head(features, asked.cover).presence[:, 0]
        whole = head(torch.from_numpy(maps), pieces.cover).presence[0]
    assert torch.allclose(few, whole[pieces.valid[0] > 0], atol=0.02)  # kept in half precision


def test_a_shipped_head_is_had_back_from_its_file() -> None:
    head = warm.shipped_head(ROOT / "models" / "piece.onnx")
    graph = DeployedHead(head)
    session = onnxruntime.InferenceSession(str(ROOT / "models" / "piece.onnx"))
    rng = np.random.default_rng(1)
    features = rng.normal(size=(1, EMBEDDING, 12, 20)).astype(np.float32)
    cover = (rng.random((2, 12, 20)) < 0.3).astype(np.float32)
    told = session.run(None, {"features": features, "cover": cover})
    with torch.no_grad():
        ours = graph(torch.from_numpy(features), torch.from_numpy(cover))
    for a, b in zip(ours, told, strict=True):
        assert a.numpy() == pytest.approx(b, abs=1e-4)


def test_rendered_pieces_are_held_to_what_the_head_said_before_and_real_ones_taught() -> None:
    pieces = piece_views(batch(*drawn()), torch.Generator().manual_seed(2))
    before = PieceHead().eval()(torch.randn(1, EMBEDDING, 32, 32), pieces.cover)
    own = pieces.valid[0] * (pieces.form[0] >= 0) > 0
    assert own.any()
    rendered = head_only.softened(pieces, before)
    assert torch.allclose(rendered.presence[0, own], torch.sigmoid(before.presence)[0, own])
    real = head_only.softened(replace(pieces, counted=0 * pieces.counted), before)
    assert torch.equal(real.presence[0, own], pieces.presence[0, own])
    assert float(head_only.kept_answers(before, before, pieces).detach()) == pytest.approx(0.0)


def test_a_piece_is_pasted_with_its_truth_onto_a_photo_of_which_nothing_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(augment, "PASTE_SHARE", 1.0)
    sampler = object.__new__(augment.Sampler)
    sampler.device, sampler.dice = torch.device("cpu"), torch.Generator().manual_seed(0)
    jacket = ORDER.index(Surface.INSULATION)
    fine = torch.full((2, 4, 64, 64), UNKNOWN, dtype=torch.uint8)
    fine[:, 3] = 0
    fine[1, 0, 20:30, :], fine[1, 2, 20:30, :] = jacket, 7
    forms = torch.full((2, 256), -1, dtype=torch.int8)
    forms[1, 7] = FORMS.index("stranded")
    rgb = torch.full((2, 3, 32, 32), 100.0)
    rgb[1, :, 10:15] = 30.0
    nothing = torch.full((2, 3), torch.nan)
    seen, truth, told = sampler._paste(rgb, fine, nothing, forms)
    assert (truth[0, 2] == augment.PASTED).equal(fine[1, 2] == 7)
    assert (truth[0, 0] == jacket).equal(fine[1, 2] == 7)
    assert (truth[0, 2, 40:] == UNKNOWN).all()
    assert told[0, augment.PASTED] == FORMS.index("stranded")
    # Both photos are equally bright, so the lead stays as dark as it was.
    assert seen[0, :, 12].mean() == pytest.approx(30.0, abs=1.0)
    assert seen[0, :, 25].mean() == pytest.approx(100.0, abs=0.1)


def test_a_stranger_is_pasted_too_and_stays_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(augment, "PASTE_SHARE", 1.0)
    sampler = object.__new__(augment.Sampler)
    sampler.device, sampler.dice = torch.device("cpu"), torch.Generator().manual_seed(0)
    metal = ORDER.index(Surface.OTHER_METAL)
    fine = torch.zeros((2, 4, 64, 64), dtype=torch.uint8)
    fine[1, 0, 20:30, :], fine[1, 2, 20:30, :], fine[1, 3, 20:30, :] = metal, UNKNOWN, 9
    forms = torch.full((2, 256), -1, dtype=torch.int8)
    rgb = torch.full((2, 3, 32, 32), 100.0)
    _, truth, told = sampler._paste(rgb, fine, torch.full((2, 3), torch.nan), forms)
    assert (truth[0, 3] == augment.PASTED).equal(fine[1, 3] == 9)
    # Nobody said whether it belongs to the trade; where it was not laid nothing changed.
    assert (truth[0, 2, 20:30] == UNKNOWN).all()
    assert (truth[0, :, 40:] == 0).all()
    assert told.equal(forms)
