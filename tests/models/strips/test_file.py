"""The strip network's file: ONNX Runtime says what PyTorch says."""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="trained with torch; it is not a dependency")
onnx = pytest.importorskip("onnx", reason="written with onnx; it is not a dependency")

from models.recipe.edges.network import EdgeNet, inputs  # noqa: E402
from models.recipe.strips.file import edge_part, joined, look_part, part_of, with_before  # noqa: E402
from models.recipe.strips.network import StripNet  # noqa: E402
from models.recipe.strips.warm import from_file  # noqa: E402
from models.recipe.surface.warm import measure_norms  # noqa: E402
from vision.width import edge_net  # noqa: E402
from vision.width.strand.strip_look import ACROSS_PX, ALONG_PX, LOOKS  # noqa: E402

PLAN = ("conv 1 6", "down 1 8", "block 2", "context 1", "up 1 6", "block 1", "score 1 2")


def profiles(rows: int) -> np.ndarray:
    light = np.random.default_rng(4).uniform(0.01, 0.9, (rows, edge_net.SAMPLES, 3))
    light[0, :30] = np.nan
    return np.asarray(light, np.float32)


def test_all_parts_of_the_file_say_what_torch_says() -> None:
    # torch's own layers are the outside source; the mean over neighbours is written out there.
    import onnxruntime

    torch.manual_seed(0)
    nets = [EdgeNet(PLAN), EdgeNet(PLAN)]
    looks = StripNet().eval()
    model = joined(
        {"edges": edge_part(nets), "near": edge_part(nets[:1], "near_"), "looks": look_part(looks)}
    )
    session = onnxruntime.InferenceSession(model.SerializeToString())
    light = profiles(6)
    given = {
        "profiles": edge_net.inputs(light, 20.0),
        "neighbours": edge_net.neighbours(6, 3),
        "light": np.random.default_rng(1).normal(size=(2, ALONG_PX, ACROSS_PX, 3)),
        "log_step": np.array([-1.0, 0.5]),
    }
    given |= {f"near_{name}": given[name] for name in ("profiles", "neighbours")}
    given = {name: np.asarray(value, np.float32) for name, value in given.items()}
    edges, near, said, shares = session.run(["edges", "near_edges", "looks", "shares"], given)
    known = torch.from_numpy(np.isfinite(light).all(axis=2)).float()
    seen = torch.from_numpy(np.nan_to_num(light)).transpose(1, 2).contiguous()
    with torch.no_grad():
        x = inputs(seen, known, torch.full((6,), 20.0))
        by_torch = [net(x, 3) for net in nets]
        logs = sum(torch.log_softmax(logits, dim=2) for logits in by_torch) / 2
        expected = looks(torch.from_numpy(given["light"]), torch.from_numpy(given["log_step"]))
    assert edges == pytest.approx(logs.transpose(1, 2).numpy(), abs=5e-3)
    alone = torch.log_softmax(by_torch[0], dim=2).transpose(1, 2).numpy()
    assert near == pytest.approx(alone, abs=5e-3)
    assert said == pytest.approx(expected[0].numpy(), abs=5e-3)
    assert shares == pytest.approx(expected[1].numpy(), abs=5e-3)
    assert np.ptp(edges) > 0.05


def test_a_part_of_a_file_goes_into_the_next_as_it_is(tmp_path: Path) -> None:
    import onnxruntime

    torch.manual_seed(1)
    looks = look_part(StripNet().eval())
    before = joined({"edges": edge_part([EdgeNet(PLAN)]), "looks": looks})
    (tmp_path / "strip.onnx").write_bytes(before.SerializeToString())
    kept = part_of(tmp_path / "strip.onnx", "looks")
    after = joined({"edges": edge_part([EdgeNet(PLAN)]), "looks": kept})
    given = {
        "profiles": edge_net.inputs(profiles(2), 20.0),
        "neighbours": np.eye(2, dtype=np.float32),
        "light": np.random.default_rng(2).normal(size=(2, ALONG_PX, ACROSS_PX, 3)),
        "log_step": np.zeros(2),
    }
    given = {name: np.asarray(value, np.float32) for name, value in given.items()}
    said = [
        onnxruntime.InferenceSession(model.SerializeToString()).run(["looks", "edges"], given)
        for model in (before, after)
    ]
    assert np.array_equal(said[0][0], said[1][0])
    assert not np.array_equal(said[0][1], said[1][1])


def test_a_training_goes_on_from_what_ships() -> None:
    """The shipped file is the outside source: started from it, torch says what it says."""
    import onnxruntime

    path = Path(__file__).parents[3] / "models" / "strip.onnx"
    session = onnxruntime.InferenceSession(str(path))
    light = np.random.default_rng(3).normal(size=(8, ALONG_PX, ACROSS_PX, 3)).astype(np.float32)
    given = {"light": light, "log_step": np.linspace(-2, 1, 8, dtype=np.float32)}
    rest = {i.name: np.zeros([n if isinstance(n, int) else 0 for n in i.shape], np.float32)
            for i in session.get_inputs() if i.name not in given}  # fmt: skip
    theirs = session.run(["looks", "shares"], given | rest)
    net = StripNet()
    from_file(net, path)
    shown = tuple(torch.from_numpy(value) for value in given.values())
    for measured in (False, True):
        if measured:
            measure_norms(net, [shown])
        with torch.no_grad():
            ours = net.eval()(*shown)
        for a, b in zip(ours, theirs, strict=True):
            assert a.numpy() == pytest.approx(b, abs=5e-3)


def test_looks_are_averaged_with_those_that_ship() -> None:
    """Half of a network and half of the same is that network, joined as what ships is."""
    path = Path(__file__).parents[3] / "models" / "strip.onnx"
    told = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))
    kept = {"prior": [0.5] * len(LOOKS), "made": "it"}
    mean, written = with_before(part_of(path, "looks"), kept, path, share=0.5)
    same = part_of(path, "looks")
    for a, b in zip(mean.graph.initializer, same.graph.initializer, strict=True):
        assert onnx.numpy_helper.to_array(a) == pytest.approx(onnx.numpy_helper.to_array(b))
    assert written["joining"] == told["joining"]
    assert written["prior"][0] == pytest.approx(0.25 + told["prior"][LOOKS[0]] / 2)


def test_large_weights_are_kept_in_half_the_bytes() -> None:
    net = EdgeNet()
    weights = sum(p.numel() for p in net.parameters())
    size = edge_part([net]).ByteSize()
    assert 2 * weights < size < 2.1 * weights + 30_000


def test_weights_come_back_as_they_were_saved() -> None:
    from models.recipe.edges.train import read_net, saved_to

    net, file = EdgeNet(), io.BytesIO()
    saved_to(file, net)
    file.seek(0)
    back = read_net(file)
    for name, value in net.state_dict().items():
        assert back.state_dict()[name].numpy() == pytest.approx(value.numpy(), abs=2e-3)
