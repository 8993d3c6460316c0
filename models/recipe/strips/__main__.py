"""Train all parts of the strip network at the same time on one card, and write the file.

    python -m models.recipe.strips --photos DIR [DIR...] --out DIR --workers 28 \\
        --device cuda --seconds 360 --start-edges models/strip.onnx [--limit 570]

Leaves ``strip.onnx``, ``strip.toml`` and ``training.json``, first once every part has weights, and
again whenever they got better; the weights ``edges_1.pt``, ..., ``near.pt`` and ``looks.pt`` to go
on from, and what each training said in ``edges.log`` and ``looks.log``. The trainings need not
know of each other (``edges/train.py``, ``strips/train.py``); ``file.py`` joins what they made.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

AGAIN_S = 60.0
"""New weights are exported so often at most."""

AT_END_S = 45.0
"""Kept for judging and for the last export, where the run has a limit."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run both trainings, exporting on the way; return the first exit code that is not 0."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--look-device", help="for the looks, where there is a second card")
    parser.add_argument("--seconds", default="360", help="of training the edges")
    parser.add_argument("--look-seconds", default="300", help="of training the looks")
    parser.add_argument("--cut-seconds", type=float, help="photos not cut by then are left out")
    parser.add_argument("--limit", type=float, help="seconds that all of it may take")
    parser.add_argument("--start-edges", nargs="*", default=[], help="weights to go on from")
    parser.add_argument("--start-looks", help="weights or a strip.onnx to go on from")
    parser.add_argument("--compare", nargs="*", default=[], help="weights of edges to judge too")
    parser.add_argument("--drawn", default="49152", help="drawn profiles beside those of photos")
    parser.add_argument("--rate", default="1.5e-3", help="of learning edges, at its highest")
    asked = parser.parse_args(argv)
    asked.out.mkdir(parents=True, exist_ok=True)
    began = time.time()
    common = ["--photos", *asked.photos, "--workers", str(max(1, asked.workers // 2))]
    if asked.cut_seconds is not None:
        common += ["--cut-until", str(began + asked.cut_seconds)]
    if asked.limit is not None:
        common += ["--until", str(began + asked.limit - AT_END_S)]
    looks = asked.out / "looks.pt"
    for_edges = [
        *common,
        "--out",
        str(asked.out),
        "--device",
        asked.device,
        "--seconds",
        asked.seconds,
        "--rate",
        asked.rate,
        "--drawn",
        asked.drawn,
        *_given("--start", *asked.start_edges),
        *_given("--compare", *asked.compare),
    ]
    for_looks = [
        *common,
        "--out",
        str(looks),
        "--device",
        asked.look_device or asked.device,
        "--seconds",
        asked.look_seconds,
        *_given("--start", asked.start_looks),
    ]
    running = {
        "edges": _begun(asked.out / "edges.log", "models.recipe.edges.train", for_edges),
        "looks": _begun(asked.out / "looks.log", "models.recipe.strips.train", for_looks),
    }  # fmt: skip
    ends = began + asked.limit if asked.limit is not None else float("inf")
    exported, at = 0.0, 0.0
    while any(process.poll() is None for process in running.values()) and time.time() < ends - 15:
        time.sleep(1)
        newest = _newest(asked.out)
        if newest > exported and time.time() - at > AGAIN_S:
            exported, at = newest, time.time()
            _export(asked.out, vars(asked), began)
    codes = {}
    for name, process in running.items():
        if process.poll() is None:
            print(f"{name}: stopped, its time is up", flush=True)
            os.killpg(process.pid, signal.SIGTERM)
        codes[name] = process.wait()
    for name, code in codes.items():
        print(f"== {name}: exit {code}", (asked.out / f"{name}.log").read_text()[-6000:], sep="\n")
    code = _export(asked.out, vars(asked), began)
    return next((failed for failed in codes.values() if failed), code)


def _newest(out: Path) -> float:
    """Return when any weights were last written, 0 while a part has none."""
    parts = [sorted(out.glob(name)) for name in ("edges_*.pt", "near.pt", "looks.pt")]
    return max(p.stat().st_mtime for part in parts for p in part) if all(parts) else 0.0


def _export(out: Path, asked: dict[str, Any], began: float) -> int:
    """Write the network and what is known of its training."""
    done = subprocess.run(
        [sys.executable, "-m", "models.recipe.strips.file", "--edges",
         *sorted(str(path) for path in out.glob("edges_*.pt")),
         "--near", str(out / "near.pt"), "--looks", str(out / "looks.pt"), "--out", str(out)],
        check=False, env={**os.environ, "CUDA_VISIBLE_DEVICES": ""},
    )  # fmt: skip
    judged = out / "edges.json"
    told = {
        "seconds": round(time.time() - began, 1),
        "asked": {name: str(value) for name, value in asked.items()},
        "edges": json.loads(judged.read_text(encoding="utf-8")) if judged.exists() else None,
        "said": {name: (out / f"{name}.log").read_text(errors="replace").splitlines()[-40:]
                 for name in ("edges", "looks")},
    }  # fmt: skip
    (out / "training.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return done.returncode


def _given(option: str, *values: str | None) -> list[str]:
    told = [value for value in values if value is not None]
    return [option, *told] if told else []


def _begun(log: Path, module: str, options: Sequence[str]) -> subprocess.Popen[bytes]:
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-u", "-m", module, *options],
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


if __name__ == "__main__":
    raise SystemExit(main())
