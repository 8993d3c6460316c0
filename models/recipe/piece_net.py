"""Train the small network that tells pieces from the table.

    python -m models.recipe.piece_net --photos DIR [DIR ...] --check DIR --out FILE.onnx \
        --minutes 15

Its input is the table model of ``vision/ground.py``, not colour alone, so it is small and
needs few photos; a processor trains it. It answers two things a pixel: is this a piece, and
does one piece end and another begin here. ``--check`` photos are only ever measured.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from vision.ground import CHANNELS, table_features
from vision.pieces import WORK_LONG_SIDE_PX, reduced, reference_mask

CROP_PX = 256
BATCH = 12
RATE = 3e-3


class PieceNet(nn.Module):
    """U-shaped network on 2 x 2 blocks; works and answers at the full reduced size."""

    def __init__(self) -> None:
        super().__init__()
        self.top = nn.Sequential(_conv(4 * CHANNELS, 20, 1), _conv(20, 20))
        self.middle = nn.Sequential(_conv(20, 32, stride=2), _conv(32, 32))
        self.bottom = nn.Sequential(
            _conv(32, 48, stride=2), _conv(48, 48, dilation=2), _conv(48, 48, dilation=4),
            _conv(48, 48, dilation=8), _conv(48, 48, dilation=2),
        )  # fmt: skip
        self.up_middle = _conv(48 + 32, 32)
        self.up_top = _conv(32 + 20, 20)
        self.answer = nn.Conv2d(20, 8, 1)

    def forward(self, features: Tensor) -> Tensor:
        """``(n, 9, h, w)`` features to ``(n, 2, h, w)`` logits; sides multiples of 8."""
        top = self.top(functional.pixel_unshuffle(features, 2))
        middle = self.middle(top)
        bottom = self.bottom(middle)
        middle = self.up_middle(torch.cat([_twice(bottom), middle], 1))
        top = self.up_top(torch.cat([_twice(middle), top], 1))
        return functional.pixel_shuffle(self.answer(top), 2)


def _conv(
    inputs: int, outputs: int, size: int = 3, *, stride: int = 1, dilation: int = 1
) -> nn.Module:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, stride=stride, dilation=dilation,
                  padding=dilation * (size // 2), bias=False),
        nn.BatchNorm2d(outputs), nn.ReLU(inplace=True),
    )  # fmt: skip


def _twice(x: Tensor) -> Tensor:
    return functional.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


def read_photo(
    truth_file: Path, long_side_px: int, *, seed: int | None
) -> tuple[np.ndarray, np.ndarray]:
    """Return ``(9, h, w)`` float16 features and ``(2, h, w)`` uint8 targets of a photo.

    With a seed the light is varied first (exposure, white balance): the table model is
    then made of the varied photo, as it would be in use.
    """
    cv2.setNumThreads(1)
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    rgb = cv2.cvtColor(cv2.imread(str(truth_file.with_name(truth["photo"]))), cv2.COLOR_BGR2RGB)
    numbers = cv2.imread(str(truth_file.with_name(truth_file.stem + ".pieces.png")), 0)
    full_shape = rgb.shape
    rng = np.random.default_rng(seed)
    if seed is not None:
        gain = np.exp(rng.normal(0, [0.12, 0.05, 0.14])) * np.exp(rng.normal(0, 0.2))
        linear = (rgb.astype(np.float32) / 255) ** 2.2 * gain
        rgb = (np.clip(linear, 0, 1) ** (1 / 2.2 * np.exp(rng.normal(0, 0.08))) * 255).astype(
            np.uint8
        )
    small, factor = reduced(rgb, long_side_px)
    h, w = (side // 8 * 8 for side in small.shape[:2])
    numbers = cv2.resize(numbers, small.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    scale = full_shape[1] / truth["width_px"]
    outlines = [np.array(r["outline_px"], float) * scale for r in truth["references"]]
    if rng.random() < 0.15 and seed is not None:
        outlines = []  # no reference was found: its parts are then no pieces all the same
    reference = reference_mask(small.shape[:2], outlines, factor)
    features = table_features(small, reference)[:, :h, :w].astype(np.float16)
    numbers = numbers[:h, :w]
    high = cv2.dilate(numbers, np.ones((5, 5), np.uint8))
    low = 255 - cv2.dilate(
        np.where(numbers == 0, 0, 255 - numbers).astype(np.uint8), np.ones((5, 5), np.uint8)
    )
    border = (high != low) & (high > 0) & (low < 255) & (numbers > 0)
    return features, np.stack([numbers > 0, border]).astype(np.uint8)


def _jobs(folders: list[Path], variants: int) -> list[tuple[Path, int, int | None]]:
    jobs: list[tuple[Path, int, int | None]] = []
    for folder in folders:
        for k, file in enumerate(sorted(folder.glob("*.json"))):
            for v in range(variants):
                side = (WORK_LONG_SIDE_PX, 768, 1280, 560)[v % 4]
                jobs.append((file, side, None if v == 0 else 1000 * k + v))
    return jobs


def _read(job: tuple[Path, int, int | None]) -> tuple[np.ndarray, np.ndarray]:
    return read_photo(job[0], job[1], seed=job[2])


def _crops(
    photos: list[tuple[np.ndarray, np.ndarray]], rng: np.random.Generator
) -> tuple[Tensor, Tensor]:
    xs, ys = [], []
    while len(xs) < BATCH:
        features, target = photos[int(rng.integers(len(photos)))]
        _, h, w = features.shape
        if h < CROP_PX or w < CROP_PX:
            pad = ((0, 0), (0, max(0, CROP_PX - h)), (0, max(0, CROP_PX - w)))
            features, target = np.pad(features, pad, mode="edge"), np.pad(target, pad, mode="edge")
            _, h, w = features.shape
        y, x = int(rng.integers(h - CROP_PX + 1)), int(rng.integers(w - CROP_PX + 1))
        cut = target[:, y : y + CROP_PX, x : x + CROP_PX]
        if not cut[0].any() and rng.random() < 0.6:
            continue
        part = features[:, y : y + CROP_PX, x : x + CROP_PX].astype(np.float32)
        turn, flip = int(rng.integers(4)), rng.random() < 0.5
        part, cut = np.rot90(part, turn, (1, 2)), np.rot90(cut, turn, (1, 2))
        if flip:
            part, cut = part[:, :, ::-1], cut[:, :, ::-1]
        part = part.copy()
        part[:3] += rng.normal(0, 0.12, (3, 1, 1))  # absolute colour says little; keep it so
        xs.append(part)
        ys.append(cut.astype(np.float32))
    return torch.from_numpy(np.stack(xs).astype(np.float32)), torch.from_numpy(np.stack(ys))


def _loss(logits: Tensor, target: Tensor) -> Tensor:
    weight = torch.tensor([1.0, 3.0])[None, :, None, None]
    bce = (
        functional.binary_cross_entropy_with_logits(logits, target, reduction="none") * weight
    ).mean()
    p = logits[:, :1].sigmoid()
    overlap = (p * target[:, :1]).sum()
    return bce * 3 + 1 - 2 * overlap / (p.sum() + target[:, :1].sum() + 1)


@torch.no_grad()
def check(net: PieceNet, photos: list[tuple[np.ndarray, np.ndarray]]) -> str:
    """Return overlap figures on photos that were not trained on."""
    net.eval()
    hit = union = truth = found = 0.0
    for features, target in photos:
        p = net(torch.from_numpy(features.astype(np.float32))[None])[0, 0] > 0
        own = torch.from_numpy(target[0]) > 0
        hit += float((p & own).sum())
        union += float((p | own).sum())
        truth += float(own.sum())
        found += float(p.sum())
    net.train()
    return f"iou {hit / union:.3f} recall {hit / truth:.3f} precision {hit / max(found, 1):.3f}"


def main() -> None:
    """Train for the minutes asked and write the network."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--check", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=15)
    parser.add_argument("--variants", type=int, default=4)
    parser.add_argument("--start", type=Path)
    parser.add_argument("--threads", type=int, default=2)
    options = parser.parse_args()
    torch.manual_seed(1)
    torch.set_num_threads(options.threads)
    with ProcessPoolExecutor(2) as pool:
        photos = list(pool.map(_read, _jobs(options.photos, options.variants), chunksize=4))
        held = list(pool.map(_read, _jobs([options.check], 1))) if options.check else []
    net = PieceNet()
    if options.start:
        net.load_state_dict(torch.load(options.start, weights_only=True))
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=0.01)
    rng = np.random.default_rng(1)
    began, said, step, mean = time.monotonic(), 0.0, 0, 0.0
    while (spent := (time.monotonic() - began) / (60 * options.minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = (
                RATE * min(1.0, step / 50 + 0.02) * (0.5 + 0.5 * float(np.cos(np.pi * spent)))
            )
        loss = _loss(*_forward(net, photos, rng))
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        step += 1
        mean = 0.97 * mean + 0.03 * float(loss.detach())
        if time.monotonic() - said > 60:
            said = time.monotonic()
            print(f"{spent:.2f} step {step} loss {mean / (1 - 0.97**step):.3f} "
                  f"{check(net, held[:24]) if held else ''}", flush=True)  # fmt: skip
            torch.save(net.state_dict(), options.out.with_suffix(".pt"))
    print(f"done, {step} steps, {check(net, held) if held else ''}")
    torch.save(net.state_dict(), options.out.with_suffix(".pt"))
    export(net, options.out)


def _forward(
    net: PieceNet, photos: list[tuple[np.ndarray, np.ndarray]], rng: np.random.Generator
) -> tuple[Tensor, Tensor]:
    x, y = _crops(photos, rng)
    return net(x), y


def export(net: PieceNet, out: Path) -> None:
    """Write the network as ONNX, probabilities out, any size that is a multiple of 8."""
    net.eval()
    with_sigmoid = nn.Sequential(net, nn.Sigmoid()).eval()
    torch.onnx.export(
        with_sigmoid, (torch.zeros(1, CHANNELS, 384, 512),), str(out), opset_version=17,
        input_names=["features"], output_names=["p"], dynamo=False,
        dynamic_axes={"features": {2: "h", 3: "w"}, "p": {2: "h", 3: "w"}},
    )  # fmt: skip


if __name__ == "__main__":
    main()
