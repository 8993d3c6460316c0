"""Learn what a flash adds, and write the file that ships.

    python -m models.recipe.flash.train --windows DIR --traced DIR --skies DIR --out DIR

shades windows (``--skins``; kept in ``--windows``, so that a second run need not), draws photos
of them and learns three small networks by log score: from the photo without the flash, from the
one with it, and from both. What the flash adds is the last one's log-odds less the first one's:
the likelihood ratio of the second photo given the first. How far that is to be trusted is fitted
on traced windows (``--traced``, seeds below ``windows.HELD_OUT``). A run on the processor takes
minutes.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import warnings
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from models.recipe.flash.draws import Drawn, drawn
from models.recipe.flash.shaded import shaded_window
from models.recipe.look.lights import load_skies
from vision.flash.looks import FEATURES
from vision.flash.model import THINGS

INPUTS = ("still", "flash", "pair")
HIDDEN = (96, 48)
DROPOUT = 0.2
STEPS, BATCH = 3500, 512
NOISE = 0.5
"""Noise on the numbers, of their deviation: what is shaded differs from what is traced. On 433
traced windows the pair's area under the curve went from 0.855 to 0.879 by it."""

TOLD_TO = 4.0
"""Numbers are held within so many deviations of their mean."""

SKINS_A_FILE = 100
FEWEST_WITH = 60
"""Of a thing that so few traced pairs have, nothing is told: nobody could say how far to trust."""


class Net(nn.Module):
    """Numbers of one or two strips to log-odds of three things, a level and its log doubt."""

    def __init__(self, mean: Tensor, deviation: Tensor) -> None:
        super().__init__()
        self.mean, self.deviation = nn.Parameter(mean, False), nn.Parameter(deviation, False)
        sizes = (len(mean), *HIDDEN)
        layers: list[nn.Module] = []
        for a, b in pairwise(sizes):
            layers += [nn.Linear(a, b), nn.ReLU(), nn.Dropout(DROPOUT)]
        self.layers = nn.Sequential(*layers, nn.Linear(sizes[-1], 5))

    def forward(self, x: Tensor) -> Tensor:
        """Return ``(n, 5)``."""
        scaled: Tensor = (x - self.mean) / self.deviation
        out: Tensor = self.layers(torch.clamp(scaled, -TOLD_TO, TOLD_TO))
        return out


class Three(nn.Module):
    """The three networks as one file."""

    def __init__(self, nets: dict[str, Net]) -> None:
        super().__init__()
        self.nets = nn.ModuleDict(nets)

    def forward(self, plain: Tensor, flash: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return what each tells."""
        both = torch.cat([plain, flash], dim=1)
        return self.nets["still"](plain), self.nets["flash"](flash), self.nets["pair"](both)


def inputs_of(data: Drawn, name: str) -> NDArray[np.float32]:
    """Return what a network is given."""
    if name == "pair":
        return np.concatenate([data.plain, data.flash], axis=1)
    return data.plain if name == "still" else data.flash


def loss_of(out: Tensor, there: Tensor, level: Tensor) -> Tensor:
    """Return the log score: of what is there, and of the level as a normal distribution."""
    known = ~torch.isnan(there)
    target = torch.where(known, there, torch.zeros_like(there))
    score = nn.functional.binary_cross_entropy_with_logits(out[:, :3], target, reduction="none")
    told = (score * known).sum() / known.sum()
    bare = ~torch.isnan(level)
    u = torch.clamp(out[:, 4], -5.0, 0.5)
    error = torch.where(bare, out[:, 3] - level, torch.zeros_like(level))
    normal = (u + 0.5 * (error / torch.exp(u)) ** 2) * bare
    return told * 3 + normal.sum() / bare.sum()


def trained(data: Drawn, name: str, *, seed: int) -> Net:
    """Return a network trained on one of :data:`INPUTS`."""
    torch.manual_seed(seed)
    x = torch.from_numpy(inputs_of(data, name))
    there, level = torch.from_numpy(data.there), torch.from_numpy(data.level)
    net = Net(x.mean(dim=0), x.std(dim=0) + 1e-3)
    steps = torch.optim.AdamW(net.layers.parameters(), lr=2e-3, weight_decay=2e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(steps, 2e-3, total_steps=STEPS)
    net.train()
    for _ in range(STEPS):
        pick = torch.randint(len(x), (BATCH,))
        noisy = x[pick] + NOISE * net.deviation * torch.randn(BATCH, x.shape[1])
        loss = loss_of(net(noisy), there[pick], level[pick])
        steps.zero_grad()
        loss.backward()
        steps.step()
        pace.step()
    return net.eval()


def told(nets: dict[str, Net], data: Drawn) -> dict[str, NDArray[np.float32]]:
    """Return what each network says of every pair."""
    with torch.no_grad():
        return {n: net(torch.from_numpy(inputs_of(data, n))).numpy() for n, net in nets.items()}


def windows_in(folder: Path, *, skins: int, skies: list[Any]) -> list[dict[str, Any]]:
    """Return shaded windows, made where they are not there yet."""
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for first in range(0, skins, SKINS_A_FILE):
        path = folder / f"shaded{first:05d}.pkl"
        if not path.exists():
            made = [shaded_window(k, skies=skies) for k in range(first, first + SKINS_A_FILE)]
            path.write_bytes(pickle.dumps(made))
        found += pickle.loads(path.read_bytes())
    return found


def traced_in(folder: Path) -> list[dict[str, Any]]:
    """Return the traced windows of a folder."""
    files = sorted(folder.glob("w*.npz"))
    return [w for f in files for w in np.load(f, allow_pickle=True)["windows"]]


def fitted_scale(extra: NDArray[np.float32], still: NDArray[np.float32],
                 there: NDArray[np.float32]) -> float:  # fmt: skip
    """Return which share of the log ratio gives the best log score beside the still's odds."""
    known = ~np.isnan(there)
    scales = np.linspace(0, 1, 41)
    logits = still[known] + scales[:, None] * extra[known]
    score = np.logaddexp(0, np.where(there[known] > 0, -logits, logits)).mean(axis=1)
    return float(scales[score.argmin()])


def write(out: Path, nets: dict[str, Net], facts: dict[str, Any]) -> None:
    """Write ``flash.onnx`` and the description beside it.

    Raises:
        ValueError: ONNX Runtime says something else than PyTorch.
    """
    import onnxruntime

    out.mkdir(parents=True, exist_ok=True)
    path = out / "flash.onnx"
    given = (torch.randn(3, FEATURES), torch.randn(3, FEATURES))
    three = Three(nets).eval()
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the plain exporter is called old; it needs no more
        torch.onnx.export(
            three, given, str(path), input_names=["plain", "flash"],
            output_names=["still", "alone", "pair"], opset_version=17, dynamo=False,
            dynamic_axes={n: {0: "n"} for n in ("plain", "flash", "still", "alone", "pair")},
        )  # fmt: skip
        wanted = three(*given)
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    got = session.run(None, {"plain": given[0].numpy(), "flash": given[1].numpy()})
    worst = max(float(np.abs(a.numpy() - b).max()) for a, b in zip(wanted, got, strict=True))
    if worst > 1e-3:
        raise ValueError(f"ONNX Runtime differs from PyTorch by {worst}")
    trusted = "\n".join(f"{what} = {scale:.3f}" for what, scale in facts["trusted"].items())
    calibration = "\n".join(f"{name} = {value:.4g}" for name, value in facts["calibration"].items())
    (out / "flash.toml").write_text(
        f'schema = "cuproscope.flash/1"\nfile = "flash.onnx"\n'
        f'sha256 = "{hashlib.sha256(path.read_bytes()).hexdigest()}"\nmade = "{facts["made"]}"\n\n'
        f"[trusted]\n{trusted}\n\n[calibration]\n{calibration}\n",
        encoding="utf-8",
    )


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Learn what a flash adds.")
    parser.add_argument("--windows", type=Path, required=True)
    parser.add_argument("--skins", type=int, default=2000)
    parser.add_argument("--draws", type=int, default=3, help="pairs of photos a window")
    parser.add_argument("--traced", type=Path, required=True)
    parser.add_argument("--skies", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    skies = load_skies(options.skies, split="train")
    windows = windows_in(options.windows, skins=options.skins, skies=skies)
    data = drawn(windows, rng=np.random.default_rng(options.seed), times=options.draws)
    nets = {name: trained(data, name, seed=options.seed) for name in INPUTS}
    traced = traced_in(options.traced)
    check = drawn(traced, rng=np.random.default_rng([options.seed, 1]), times=2)
    said = told(nets, check)
    trusted = {}
    for k, what in enumerate(THINGS):
        if (check.there[:, k] == 1).sum() < FEWEST_WITH:
            print(f"{what}: too few traced pieces have it, left out")
            continue
        scale = fitted_scale(
            said["pair"][:, k] - said["still"][:, k], said["still"][:, k], check.there[:, k]
        )
        trusted[str(what)] = scale
        print(f"{what}: {len(check.plain)} traced pairs, log ratio times {scale:.2f}")
    bare = ~np.isnan(check.level)
    z = (said["pair"][bare, 3] - check.level[bare]) / np.exp(
        np.clip(said["pair"][bare, 4], -5, 0.5)
    )
    made = (
        f"{len(data.plain)} pairs of {len(windows)} shaded windows of {options.skins} skins; "
        f"trust fitted on {len(check.plain)} pairs of {len(traced)} traced windows"
    )
    facts = {"trusted": trusted, "made": made,
             "calibration": {"u_tarnish_scale": float(np.sqrt((z**2).mean()))}}  # fmt: skip
    write(options.out, nets, facts)
    print(made)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
