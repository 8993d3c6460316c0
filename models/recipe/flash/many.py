"""Shade and draw tens of thousands of windows, and keep only what is learned from.

    python -m models.recipe.flash.many --out DIR --count 100000 --seconds 780 --workers 20 \
        [--skies DIR] [--first-seed 0] [--megabytes 44]

shades one window a piece and draws a pair of photos of it (``shaded.py``, ``draws.py``), and
writes ``DIR/drawn000.npz`` and on: the numbers of both strips and the truth. Whatever comes
first ends it: the count, the time, the size. What a seed gives hangs on nothing but the seed; a
second run goes on with the seeds that are not there yet. A worker takes 150 MB.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
import zipfile
from collections.abc import Generator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.flash.draws import Drawn, drawn
from models.recipe.flash.shaded import shaded_window
from models.recipe.look.lights import load_skies

AT_ONCE = 40
"""Seeds that a worker is given at a time."""

LAST_FILE_S = 8.0
"""Windows under way and the last file take so long."""

PAIRS_A_FILE = 5000
"""So many take about 2 MB."""

FACTS = ("broad", "number", "alpha", "film", "coat", "pulled_ev", "times", "white", "level")
NAMES = ("finish", "form", "light")
Packed = dict[str, NDArray[Any]]

_SKIES: list[NDArray[np.float32]] = []


def packed(data: Drawn) -> Packed:
    """Return pairs as plain arrays, small enough to be carried about."""
    return {
        "plain": data.plain.astype(np.float16),
        "flash": data.flash.astype(np.float16),
        "there": data.there.astype(np.float16),
        "truth_level": data.level.astype(np.float16),
        "base": np.array([f["base"] for f in data.facts], np.float16),
        **{name: np.array([f[name] for f in data.facts], np.float32) for name in FACTS},
        **{name: np.array([f[name] for f in data.facts], "S12") for name in NAMES},
    }


def unpacked(paths: list[Path]) -> Drawn:
    """Return the pairs of some files."""
    whole: Packed = {}
    for name in np.load(paths[0]).files:
        whole[name] = np.concatenate([np.load(path)[name] for path in sorted(paths)])
    rows = len(whole["plain"])
    facts = [
        {name: float(whole[name][k]) for name in FACTS}
        | {name: whole[name][k].decode() for name in NAMES}
        | {"base": whole["base"][k], "number": int(whole["number"][k])}
        for k in range(rows)
    ]
    return Drawn(
        plain=whole["plain"].astype(np.float32), flash=whole["flash"].astype(np.float32),
        there=whole["there"].astype(np.float32), level=whole["truth_level"].astype(np.float32),
        facts=facts,
    )  # fmt: skip


def pair_of(seed: int, *, skies: list[NDArray[np.float32]]) -> Packed | None:
    """Return the pair of one seed, None where too little of its piece shows."""
    window = shaded_window(seed, skies=skies)
    try:
        data = drawn([window], rng=np.random.default_rng([42_000_000, seed]), times=1)
    except ValueError:  # nothing to stack
        return None
    return packed(data)


def begin(skies: Path | None) -> None:
    """Make a worker ready: one thread, skies loaded."""
    cv2.setNumThreads(1)
    _SKIES[:] = load_skies(skies, split="train")


def work(seeds: list[int], until: float) -> tuple[list[int], list[Packed]]:
    """Return which seeds were made before the time was up, and their pairs."""
    made, pairs = [], []
    for seed in seeds:
        if time.time() > until:
            break
        try:
            pair = pair_of(seed, skies=_SKIES)
        except Exception as fault:  # one bad seed must not stop all the others
            print(f"seed {seed} failed: {type(fault).__name__}: {fault}", file=sys.stderr)
            pair = None
        made.append(seed)
        if pair is not None:
            pairs.append(pair)
    return made, pairs


def save(folder: Path, seeds: list[int], pairs: list[Packed]) -> int:
    """Write the next file, whole or not at all; return its size, bytes."""
    path = folder / f"drawn{len(list(folder.glob('drawn*.npz'))):03d}.npz"
    draft = path.with_suffix(".tmp")
    whole = {name: np.concatenate([pair[name] for pair in pairs]) for name in pairs[0]}
    with zipfile.ZipFile(draft, "w", zipfile.ZIP_LZMA) as packing:
        for name, array in {**whole, "seeds": np.array(sorted(seeds), np.int32)}.items():
            with packing.open(f"{name}.npy", "w") as member:
                np.lib.format.write_array(member, array)
    draft.rename(path)
    return path.stat().st_size


def made(
    todo: list[int], *, workers: int, skies: Path | None, until: float
) -> Generator[tuple[list[int], list[Packed]]]:
    """Return seeds and their pairs as they come, from many processes, until the time is up."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"  # read by the workers, many with one thread each
    lots = (todo[at : at + AT_ONCE] for at in range(0, len(todo), AT_ONCE))
    pool = ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), initializer=begin, initargs=(skies,)
    )
    running: set[Future[tuple[list[int], list[Packed]]]] = set()
    try:
        while True:
            while time.time() < until and len(running) < 2 * workers and (lot := next(lots, [])):
                running.add(pool.submit(work, lot, until))
            if not running:
                return
            ready, running = wait(running, return_when=FIRST_COMPLETED)
            for one in ready:
                yield one.result()
    finally:
        pool.shutdown(cancel_futures=True)


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Shade and draw many pairs of photos.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, required=True, help="windows, one a piece")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=780.0)
    parser.add_argument("--workers", type=int, default=20)
    parser.add_argument("--skies", type=Path)
    parser.add_argument("--megabytes", type=float, default=44.0, help="of all files together")
    options = parser.parse_args()
    start = time.time()
    options.out.mkdir(parents=True, exist_ok=True)
    for draft in options.out.glob("*.tmp"):
        draft.unlink()
    files = sorted(options.out.glob("drawn*.npz"))
    done = {int(seed) for f in files for seed in np.load(f)["seeds"]}
    sizes, total = [f.stat().st_size for f in files], 0
    first = options.first_seed
    todo = [seed for seed in range(first, first + options.count) if seed not in done]
    seeds: list[int] = []
    pairs: list[Packed] = []
    coming = made(
        todo, workers=options.workers, skies=options.skies,
        until=start + options.seconds - LAST_FILE_S,
    )  # fmt: skip
    for own, found in coming:
        seeds, pairs, total = seeds + own, pairs + found, total + len(found)
        if len(pairs) >= PAIRS_A_FILE:
            sizes.append(save(options.out, seeds, pairs))
            seeds, pairs = [], []
            print(f"{total} pairs, {time.time() - start:.0f} s, {sum(sizes)} bytes", flush=True)
            if sum(sizes) + max(sizes) > options.megabytes * 1e6:
                break
    coming.close()
    if pairs:
        sizes.append(save(options.out, seeds, pairs))
    print(f"{total} pairs, {time.time() - start:.0f} s, {sum(sizes)} bytes in all", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
