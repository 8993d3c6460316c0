"""How are the windows of one piece best joined, and how right is what they tell together?"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.strips.windows import UNKNOWN
from vision.width.strand.strip_look import (
    BINS,
    LEAST_PRIOR,
    LOG_SHARE_RANGE,
    LOOKS,
    WOUND,
    bin_middles,
    wound_or_not,
)

POWERS = (0.0, 0.25, 0.5, 0.75, 1.0)
TEMPERATURES = tuple(np.round(np.geomspace(0.6, 3.0, 25), 3))
STRAND_PX = ((0, 2), (2, 3), (3, 5), (5, 8), (8, 1e9))
WIDTH_PX = ((0, 8), (8, 14), (14, 30), (30, 1e9))


class Pieces:
    """Windows of each look at each piece, grouped: what one reading at run time sees."""

    def __init__(
        self,
        known: dict[str, NDArray[Any]],
        looks: NDArray[np.float32],
        shares: NDArray[np.float32],
        prior: NDArray[np.float64],
    ) -> None:
        key = np.stack([known[name] for name in ("scene", "view", "piece", "kind")])
        _, number = np.unique(key, axis=1, return_inverse=True)
        order = np.argsort(number, kind="stable")
        groups = np.split(order, np.flatnonzero(np.diff(number[order])) + 1)
        self.rows = [g for g in groups if (known["look"][g] != UNKNOWN).any()
                     and (known["close"][g] == 0).any()]  # fmt: skip
        # A strand's share is told by windows of the whole width alone.
        whole = [g[known["close"][g] == 0] for g in self.rows]
        self.counts = np.array([len(g) for g in self.rows], float)
        self.whole_counts = np.array([len(g) for g in whole], float)
        self.floor = np.maximum(prior, LEAST_PRIOR)
        even = looks - np.log(self.floor)
        self.looks = np.array([even[g].mean(axis=0) for g in whole])
        self.wound = np.array([wound_or_not(even[g]).mean(axis=0) for g in self.rows])
        self.shares = np.array([shares[g].mean(axis=0) for g in whole])
        # A piece is what most of its clear windows are.
        self.truth = np.array(
            [np.bincount(known["look"][g][known["look"][g] >= 0]).argmax() for g in self.rows]
        )
        self.log_share = np.array([_mean(known["log_share"][g]) for g in whole])
        self.strand_px = np.array([_mean(known["strand_px"][g]) for g in self.rows])
        self.width_px = np.array([known["width_px"][g[0]] for g in self.rows])
        self.kind = np.array([known["kind"][g[0]] for g in self.rows])
        self.strands = np.array([known["strands"][g[0]] for g in self.rows])

    def look_p(self, *, temperature: float, power: float) -> NDArray[np.float64]:
        """Return the probabilities of the looks under the prior of the training windows."""
        wound, rest = _joined(self.wound, self.counts, temperature, power).T
        looks = np.delete(self.looks, WOUND, axis=1)
        others = _joined(looks, self.whole_counts, temperature, power)
        p = np.insert(rest[:, None] * others, WOUND, wound, axis=1) * self.floor
        return np.asarray(p / p.sum(axis=1, keepdims=True))

    def share_p(self, *, temperature: float, power: float) -> NDArray[np.float64]:
        """Return the histograms of the strand's share."""
        return _joined(self.shares, self.whole_counts, temperature, power)


def _joined(
    means: NDArray[Any], counts: NDArray[np.float64], temperature: float, power: float
) -> NDArray[np.float64]:
    """As :func:`vision.width.strand.strip_look.joined`, for all pieces at once."""
    total = means * counts[:, None] ** power / temperature
    raised = np.exp(total - total.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True), dtype=np.float64)


def _mean(values: NDArray[np.float32]) -> float:
    clear = values[np.isfinite(values)]
    return float(clear.mean()) if len(clear) else float("nan")


def in_range(log_share: NDArray[Any]) -> NDArray[np.bool_]:
    """Return where a strand's share is known and within what the histogram tells."""
    low, high = LOG_SHARE_RANGE
    return np.asarray(np.isfinite(log_share) & (log_share > low) & (log_share < high))


def calibrated(pieces: Pieces, chosen: NDArray[np.bool_]) -> dict[str, float]:
    """Return how windows are best joined: least log loss of looks and of shares."""
    best: dict[str, float] = {}
    strands = chosen & (pieces.truth == LOOKS.index("stranded")) & in_range(pieces.log_share)
    bins = np.clip(np.searchsorted(_edges(), pieces.log_share) - 1, 0, BINS - 1)
    for name, mask, column in (("look", chosen, pieces.truth), ("share", strands, bins)):
        least = float("inf")
        if mask.sum() < 10:
            best |= {f"{name}_temperature": 1.0, f"{name}_power": 0.5}
            continue
        for power in POWERS:
            for temperature in TEMPERATURES:
                of = pieces.look_p if name == "look" else pieces.share_p
                p = of(temperature=float(temperature), power=power)[mask]
                if name == "share":
                    # A bin beside the true one is right enough: 3 % are one bin.
                    p = (p + np.roll(p, 1, axis=1) + np.roll(p, -1, axis=1)) / 3
                loss = float(-np.log(p[np.arange(len(p)), column[mask]] + 1e-6).mean())
                if loss < least:
                    least = loss
                    best |= {f"{name}_temperature": float(temperature), f"{name}_power": power}
        told(f"{name}: log loss {least:.3f} at power {best[name + '_power']}, "
             f"temperature {best[name + '_temperature']}, n {int(mask.sum())}")  # fmt: skip
    return best


def _edges() -> NDArray[np.float64]:
    return np.linspace(*LOG_SHARE_RANGE, BINS + 1)


def quantiles(p: NDArray[np.float64], q: float) -> NDArray[np.float64]:
    """Return the logarithm of the share that each histogram puts a quantile at."""
    summed = np.concatenate([np.zeros((len(p), 1)), np.cumsum(p, axis=1)], axis=1)
    return np.array([np.interp(q, row / row[-1], _edges()) for row in summed])


def report(pieces: Pieces, chosen: NDArray[np.bool_], joining: dict[str, float]) -> None:
    """Print how right the network is on held-out pieces."""
    p = pieces.look_p(temperature=joining["look_temperature"], power=joining["look_power"])
    best = p.argmax(axis=1)
    strand, solid, tube, wound = (
        LOOKS.index(name) for name in ("stranded", "solid", "tube", "wound")
    )
    for kinds, name in (((0,), "good masks"), ((1, 2), "masks off, smaller copies")):
        part = chosen & np.isin(pieces.kind, kinds)
        told(f"-- {name}: {int(part.sum())} looks at pieces")
        for low, high in WIDTH_PX:
            at = part & (pieces.width_px >= low) & (pieces.width_px < high)
            if not at.any():
                continue
            long = at & np.isin(pieces.truth, [strand, solid, tube])
            odds = p[:, strand] > p[:, solid] + p[:, tube]
            told(
                f"  {low:g}-{high:g} px wide, n {int(at.sum())}: look right "
                f"{_share(best[at] == pieces.truth[at])}; stranded called so "
                f"{_share(odds[long & (pieces.truth == strand)])}; solid or tube called stranded "
                f"{_share(odds[long & (pieces.truth != strand)])}; wound found "
                f"{_share(p[at & (pieces.truth == wound), wound] > 0.5)}, falsely "
                f"{_share(p[at & (pieces.truth != wound), wound] > 0.5)}"
            )
        _report_shares(pieces, part & (pieces.truth == strand), joining)
    counts = np.zeros((len(LOOKS), len(LOOKS)), int)
    np.add.at(counts, (pieces.truth[chosen], best[chosen]), 1)
    told("-- truth by row, said by column: " + ", ".join(LOOKS))
    for name, row in zip(LOOKS, counts, strict=True):
        told(f"  {name:9s} " + " ".join(f"{c:5d}" for c in row))
    sure = p.max(axis=1)
    for least, most in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.01)):
        at = chosen & (sure >= least) & (sure < most)
        told(f"  said {least:g}-{min(most, 1):g}: right {_share(best[at] == pieces.truth[at])}")


def _report_shares(pieces: Pieces, part: NDArray[np.bool_], joining: dict[str, float]) -> None:
    part = part & in_range(pieces.log_share)
    if not part.any():
        return
    p = pieces.share_p(temperature=joining["share_temperature"], power=joining["share_power"])
    at = bin_middles()
    mean = p @ at
    u = np.sqrt(np.maximum((p * (at - mean[:, None]) ** 2).sum(axis=1), 0))
    middle, low95, high95 = (quantiles(p, q) for q in (0.5, 0.025, 0.975))
    error = np.abs(np.exp(middle - pieces.log_share) - 1)
    covered = (low95 <= pieces.log_share) & (pieces.log_share <= high95)
    for low, high in STRAND_PX:
        now = part & (pieces.strand_px >= low) & (pieces.strand_px < high)
        if not now.any():
            continue
        told(
            f"  strand {low:g}-{high:g} px, n {int(now.sum())}: |error| median "
            f"{np.median(error[now]):.3f}, 90 % {np.quantile(error[now], 0.9):.3f}; within 4 % "
            f"{_share(error[now] < 0.04)}; 95 % interval covers {_share(covered[now])}; said u "
            f"median {np.median(u[now]):.3f}"
        )
    for limit in (0.05, 0.1, 0.2):
        sure = part & (u < limit)
        if sure.any():
            told(
                f"  said u under {limit:g}: {_share(u[part] < limit)}; |error| median "
                f"{np.median(error[sure]):.3f}, 90 % {np.quantile(error[sure], 0.9):.3f}"
            )


def _share(hits: NDArray[np.bool_]) -> str:
    return f"{hits.mean():.3f} of {hits.size}" if hits.size else "none"


def told(text: str) -> None:
    """Print at once: a log is read while the run goes on."""
    print(text, flush=True)
