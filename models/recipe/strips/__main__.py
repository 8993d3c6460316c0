"""Train both parts of the strip network at the same time on one card, and write the file.

    python -m models.recipe.strips --photos DIR [DIR...] --out DIR --workers 28 \\
        --device cuda:1 --seconds 360 --look-seconds 300 [--start-edges edges_1.pt edges_2.pt]

Leaves ``strip.onnx``, ``strip.toml``, the weights ``edges_1.pt``, ... and ``looks.pt`` to go on
from, and what each training said in ``edges.log`` and ``looks.log``. The trainings need not know
of each other (``edges/train.py``, ``strips/train.py``); ``file.py`` joins what they made.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path


def main(argv: Sequence[str] | None = None) -> int:
    """Run both trainings, then the export; return the first exit code that is not 0."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--look-device", help="for the looks, where there is a second card")
    parser.add_argument("--seconds", default="360", help="of training the edges")
    parser.add_argument("--look-seconds", default="300", help="of training the looks")
    parser.add_argument("--start-edges", nargs="*", default=[], help="weights to go on from")
    parser.add_argument("--start-looks", help="weights to go on from")
    parser.add_argument("--compare", nargs="*", default=[], help="weights of edges to judge too")
    parser.add_argument("--drawn", default="49152", help="drawn profiles beside those of photos")
    parser.add_argument("--rate", default="1.5e-3", help="of learning edges, at its highest")
    asked = parser.parse_args(argv)
    asked.out.mkdir(parents=True, exist_ok=True)
    common = ["--photos", *asked.photos, "--workers", str(max(1, asked.workers // 2))]
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
    codes = {name: process.wait() for name, process in running.items()}
    for name, code in codes.items():
        print(f"== {name}: exit {code}", (asked.out / f"{name}.log").read_text()[-6000:], sep="\n")
    if any(codes.values()):
        return next(code for code in codes.values() if code)
    return subprocess.run(
        [sys.executable, "-m", "models.recipe.strips.file", "--edges",
         *sorted(str(path) for path in asked.out.glob("edges_*.pt")),
         "--looks", str(looks), "--out", str(asked.out)],
        check=False,
    ).returncode  # fmt: skip


def _given(option: str, *values: str | None) -> list[str]:
    told = [value for value in values if value is not None]
    return [option, *told] if told else []


def _begun(log: Path, module: str, options: Sequence[str]) -> subprocess.Popen[bytes]:
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-u", "-m", module, *options], stdout=out, stderr=subprocess.STDOUT
        )


if __name__ == "__main__":
    raise SystemExit(main())
