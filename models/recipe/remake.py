"""Make every network again from nothing, with one command on a machine with a large GPU.

    python -m models.recipe.remake --weights FILE --out DIR [--skies DIR] [--scenes 1753]

Renders the training views and the validation photos, trains the surface network and then
both parts of the strip network, and leaves their files in ``OUT/surface`` and ``OUT/strips``;
seeds are fixed. What must be fitted after them on photos of one's own choice (mix, form odds,
calibration) is told in DEVELOPERS.md. ``--dry-run`` only says what would be run. The surface
network that ships took 8 minutes of rendering on two H100 and 12.5 of training on one of them,
the smaller ones learned on the other meanwhile; on one card, or on a processor, it takes the
longer.
"""

from __future__ import annotations

import argparse
import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

VALIDATION_SEED = 3000
"""Validation photos start here; those before were looked at."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the steps in order; stop at the first that fails."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--weights", required=True, help="ImageNet weights of the encoder")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--skies", help="folder of NAME.npz skies")
    parser.add_argument("--scenes", type=int, default=1753, help="eight views of each")
    parser.add_argument("--photos", type=int, default=120, help="to validate on")
    parser.add_argument("--size", default="512x512", help="of a training view")
    parser.add_argument("--jobs", type=int, default=15)
    parser.add_argument("--minutes", type=float, default=12.5, help="of the surface network")
    parser.add_argument("--seconds", type=float, default=360, help="of the strip network")
    parser.add_argument("--device", default="cuda", help="that the strip network learns on")
    parser.add_argument("--batch", type=int, default=112)
    parser.add_argument("--dry-run", action="store_true")
    asked = parser.parse_args(argv)
    for step in steps(asked):
        print(shlex.join(step), flush=True)
        if not asked.dry_run:
            done = subprocess.run([sys.executable, *step[1:]], check=False)
            if done.returncode != 0:
                return done.returncode
    return 0


def steps(asked: argparse.Namespace) -> list[list[str]]:
    """Return the commands, in order."""
    views, photos = asked.out / "views", asked.out / "photos"
    skies = ["--skies", asked.skies] if asked.skies else []
    render = ["models.recipe.render", *skies, "--jobs", str(asked.jobs)]
    workers = ["--workers", str(asked.jobs)]
    commands = [
        [*render, "--split", "train", "--out", str(views), "--count", str(asked.scenes),
         "--size", asked.size, "--samples", "40", "--views", "8"],
        [*render, "--split", "validation", "--out", str(photos), "--count", str(asked.photos),
         "--first-seed", str(VALIDATION_SEED), "--size", "1600x1200", "--samples", "64"],
        ["models.recipe.surface.train", "--train", str(views), "--validation", str(photos),
         "--weights", str(asked.weights), "--minutes", str(asked.minutes),
         "--batch", str(asked.batch), "--side-px", "416", "--out", str(asked.out / "surface"),
         *workers],
        ["models.recipe.strips", "--photos", str(views), "--seconds", str(asked.seconds),
         "--look-seconds", str(asked.seconds), "--device", asked.device,
         "--out", str(asked.out / "strips"), *workers],
    ]  # fmt: skip
    return [["python", "-m", *command] for command in commands]


if __name__ == "__main__":
    raise SystemExit(main())
