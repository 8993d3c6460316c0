"""Set what is set after training, judge the networks, and write ``surface.toml``.

    python -m models.recipe.surface.calibrate --model DIR --photos DIR ... --test DIR ... \\
        --real DIR

``--model`` holds ``surface.onnx``, ``piece.onnx`` and ``training.json``. From the photos:
the temperature of the classes, the limit of strangeness, the spread of the shine, and by
how much the head's spreads are too narrow. Figures are from the test photos, that nothing
was set on. The limit of the head's strangeness is judged on real photos that were not
trained on (``real.py``, role validation).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.figures import calibration_error
from models.recipe.surface.evaluate import evaluate, figures_table, read_views
from models.recipe.surface.export import write_metadata
from models.recipe.surface.judged import Judge, Row, figures
from models.recipe.surface.piece_head import PRESENCE
from vision.finish.surface import read_surface_model

TURNED_AWAY = 0.03
"""Most of the pieces that the head's limit may turn away."""
PASSED = 0.025
"""Most of what real things without copper may pass as copper: told neither as a jacket, as another
metal nor as no metal, at one half or more together. Who is told so is set aside, familiar or
not."""
BELOW = 0.97
"""So far below the first stranger that must not pass lies the limit."""
_NO_COPPER = [PRESENCE.index(name) for name in ("insulation", "other_metal", "not_metal")]
LEAST_LIMIT = 0.05


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the arguments, calibrate and write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--photos", type=Path, nargs="+", required=True, help="to set on")
    parser.add_argument("--test", type=Path, nargs="*", default=[], help="to judge on")
    parser.add_argument("--real", type=Path, help="folder written by real.py")
    parser.add_argument("--limit", type=int, help="use so many photos of each folder")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args(arguments)
    judge = Judge(asked.model)

    def rows(folders: Sequence[Path]) -> list[Row]:
        return [row for f in folders for row in judge.rows(f, limit=asked.limit)]

    own, test = rows(asked.photos), rows(asked.test)
    real = rows([asked.real] if asked.real else [])
    training = json.loads((asked.model / "training.json").read_text(encoding="utf-8"))
    date, rates = training.pop("date"), training.pop("learned_rates")
    limit, told = piece_limit(own, real)
    temperature = _temperature(own)
    common: dict[str, Any] = {
        "calibration": {
            "temperature": round(temperature, 4),
        },
        "piece_calibration": {"strangeness_limit": round(limit, 4), **spreads(own)},
        "learned_rates": rates,
        "training": training,
        "date": date,
    }
    write_metadata(asked.model, **common, figures={})
    report: dict[str, Any] = {"strangeness": told}
    for mix in sorted({r.mix for r in test}):
        report[mix] = figures([r for r in test if r.mix == mix])
    flat = {f"strangeness_{k}": v for k, v in told.items()}
    if test:
        views = [v for f in asked.test for v in read_views(f, workers=1, limit=asked.limit)]
        model = read_surface_model(asked.model)
        maps = evaluate(views, model, worst=asked.model / "worst.png", workers=asked.workers)
        maps["ece_uncalibrated"] = cell_error(test, 1.0)
        maps["ece"] = cell_error(test, temperature)
        report["maps"] = maps
        flat |= figures_table(maps)
    write_metadata(asked.model, **common, figures=flat)
    (asked.model / "figures.json").write_text(json.dumps(report, indent=1) + "\n")
    print(json.dumps({k: v for k, v in report.items() if k != "maps"} | flat, indent=1))
    return 0


def piece_limit(own: Sequence[Row], real: Sequence[Row]) -> tuple[float, dict[str, float]]:
    """Return the limit of the head's strangeness, and what it does.

    So high that few pieces are turned away, rendered or real, and no higher than lets few real
    things without copper pass as copper; rendered pieces come first where both can't be had.
    """

    def raw(rows: Sequence[Row], *kinds: str) -> NDArray[np.float64]:
        return np.array([float(r.said["strangeness"]) for r in rows if r.kind in kinds])

    least, wanted = (
        float(np.quantile(pieces, 1 - TURNED_AWAY)) if len(pieces) else LEAST_LIMIT
        for pieces in (raw(own, "piece"), raw(real, "piece"))
    )
    strange = [r for r in real if r.kind != "piece"]
    as_copper = [r for r in strange if _copper(r) > 0.5]
    passing = np.sort(raw(as_copper, "patch", "stranger"))
    allowed = int(PASSED * len(strange))
    if len(passing) > allowed:
        wanted = min(wanted, BELOW * float(passing[allowed]))
    limit = max(LEAST_LIMIT, least, wanted)
    told: dict[str, float] = {}
    for name, of, hits in (
        ("known_turned_away", len(raw(own, "piece")), raw(own, "piece") > limit),
        ("strangers_passed", len(raw(own, "stranger")), raw(own, "stranger") <= limit),
        ("real_known_turned_away", len(raw(real, "piece")), raw(real, "piece") > limit),
        ("real_without_copper_passed_as_copper", len(strange), passing <= limit),
    ):
        if of:
            told |= {name: round(float(hits.sum()) / of, 4), f"{name}_of": of}
    return limit, told


def _copper(row: Row) -> float:
    """Return how likely a thing is neither in a jacket nor another metal nor no metal."""
    odds = np.asarray(row.said["presence"], float)[_NO_COPPER]
    return float(np.prod(1 / (1 + np.exp(odds))))


def spreads(rows: Sequence[Row]) -> dict[str, float]:
    """Return the shine's error, and factors that make the head's spreads true.

    ``u_tarnish_scale`` multiplies the tarnish's standard uncertainty, ``kappa_scale`` a
    share's kappa: the mean of the squared errors over what was said of them is then 1.
    """
    shine, tarnish, share = [], [], []
    for row in rows:
        if row.kind != "piece" or "seen" not in row.truth:
            continue
        if row.truth.get("shine_share") is not None:
            said = 1 / (1 + np.exp(-float(row.said["shine"])))
            shine.append((said - row.truth["shine_share"]) ** 2)
        if row.truth.get("tarnish_level") is not None:
            level, log_u = (float(v) for v in row.said["tarnish"])
            tarnish.append(((level - row.truth["tarnish_level"]) / np.exp(log_u)) ** 2)
        for told, seen in zip(row.said["share"], row.truth["seen"].values(), strict=True):
            if seen["present"]:
                middle = 1 / (1 + np.exp(-float(told[0])))
                variance = middle * (1 - middle) / (1 + np.exp(float(told[1])))
                share.append((middle - seen["share"]) ** 2 / max(variance, 1e-6))

    def mean(values: list[float]) -> float:
        return float(np.mean(values)) if values else 1.0

    # One piece judged altogether wrongly must not widen all others: trimmed by a fiftieth.
    def trimmed(values: list[float]) -> float:
        kept = sorted(values)[: max(1, round(0.98 * len(values)))]
        return mean(kept)

    return {
        "u_shine": round(float(np.sqrt(mean(shine))), 4),
        "u_tarnish_scale": round(float(np.clip(np.sqrt(trimmed(tarnish)), 0.5, 3.0)), 4),
        "kappa_scale": round(float(np.clip(1 / trimmed(share), 0.1, 2.0)), 4),
    }


def _log_p(logits: NDArray[np.float64]) -> NDArray[np.float64]:
    lowered = logits - logits.max(axis=1, keepdims=True)
    return lowered - np.log(np.exp(lowered).sum(axis=1, keepdims=True))


def _cells(rows: Sequence[Row]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return logits and truth of cells of the pieces' views."""
    pieces = [r for r in rows if r.kind == "piece"]
    logits = np.concatenate([r.logits for r in pieces]).astype(np.float64)
    return logits, np.concatenate([r.classes for r in pieces]).astype(np.float64)


def _temperature(rows: Sequence[Row]) -> float:
    """Return the temperature with the least negative log likelihood of cells."""
    logits, truth = _cells(rows)
    grid = np.exp(np.linspace(np.log(0.4), np.log(4.0), 60))
    losses = [-(_log_p(logits / t) * truth).sum(axis=1).mean() for t in grid]
    return float(grid[int(np.argmin(losses))])


def cell_error(rows: Sequence[Row], temperature: float) -> float:
    """Return the expected calibration error of cells at a temperature."""
    logits, truth = _cells(rows)
    p = np.exp(_log_p(logits / temperature))
    best = p.argmax(axis=1)
    right = np.take_along_axis(truth, best[:, None], axis=1)[:, 0]
    return calibration_error(p.max(axis=1), right)


if __name__ == "__main__":
    raise SystemExit(main())
