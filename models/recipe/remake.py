"""Make all networks but the flash one again, with one command on a machine with a large GPU.

    python -m models.recipe.remake --weights FILE --out DIR [--skies DIR] [--surroundings DIR]

Renders the training views and photos to set and judge on, labels the real surroundings,
trains surface network and head together, sets and judges them, and trains the strip network;
the files end up in ``OUT/surface_0.24`` and ``OUT/strips``. Seeds are fixed. ``--start models``
goes on from the networks that ship instead, twice; ``OUT/mean`` holds the mean of all three.
What must be fitted after them on photos of one's own choice (form odds, calibration of the
grade) is told in DEVELOPERS.md. ``--dry-run`` only says what would be run. How long it took for
the files that ship stands in the model card.
"""

from __future__ import annotations

import argparse
import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

SEEDS = {"set": 7160, "test": 7400}
"""Photos to set on and photos to judge on start here; those before were looked at."""
REAL_SHARES = ("0.24", "0.4")
"""Of the views, how many are of real photos: the first, or each in a training of its own where
they go on from networks that ship."""
MEAN_SHARES = (0.15, 0.425, 0.425)
"""Of the network before and of each training, in what ships then."""
MIXES = {"hard": "1600x1200", "advised": "4000x3000", "tableful": "1600x1200"}
"""Kinds of photos that are judged, and their size."""


CLOSE = ["--mix", "both", "--size", "1024x1024", "--samples", "12", "--views", "6",
         "--widest-mm", "80", "--kind",
         "coil,hank,bobbin,coil,hank,bobbin,tube,wire,stranded,rods,insulated,tangle"]  # fmt: skip
"""Wide pieces as near as 12 megapixels show them, for the looks alone: 147 scenes beside 630."""
CLOSE_SHARE, CLOSE_SEED = 0.23, 100_000


def main(argv: Sequence[str] | None = None) -> int:
    """Run the steps in order; stop at the first that fails."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    begin = parser.add_mutually_exclusive_group(required=True)
    begin.add_argument("--weights", help="ImageNet weights of the encoder")
    begin.add_argument("--start", help="folder of the networks to go on from")
    parser.add_argument("--surroundings", help="folder of real photos, with INDEX.csv")
    parser.add_argument("--cards", type=int, default=1, help="that train the surface network")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--skies", help="folder of NAME.npz skies")
    parser.add_argument("--scenes", type=int, default=2660, help="eight views of each")
    parser.add_argument("--photos", type=int, default=40, help="of each kind and use")
    parser.add_argument("--size", default="512x512", help="of a training view")
    parser.add_argument("--jobs", type=int, default=15)
    parser.add_argument("--minutes", type=float, default=18.6, help="of a surface network")
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
    views, close = str(asked.out / "views"), str(asked.out / "close")
    # Trainings that went on from one network have a mean, and that is what ships.
    shares = REAL_SHARES if asked.start else REAL_SHARES[:1]
    trained = {share: asked.out / f"surface_{share}" for share in shares}
    ships = asked.out / "mean" if asked.start else trained[shares[0]]
    whole = zip((asked.start, *trained.values()), MEAN_SHARES, strict=True) if asked.start else ()
    parts = [f"{folder}:{part}" for folder, part in whole]
    skies = ["--skies", asked.skies] if asked.skies else []
    render = ["models.recipe.render", *skies, "--jobs", str(asked.jobs)]
    workers = ["--workers", str(asked.jobs)]
    begin = ["--start", asked.start] if asked.start else ["--weights", asked.weights]
    photos = {use: [str(asked.out / f"{use}_{mix}") for mix in MIXES] for use in SEEDS}
    real = {role: str(asked.out / f"real_{role}") for role in ("train", "validation")}
    told = {role: ["--real", folder] if asked.surroundings else [] for role, folder in real.items()}
    commands = [
        [*render, "--split", "train", "--mix", "all", "--out", views,
         "--count", str(asked.scenes), "--size", asked.size, "--samples", "24", "--views", "8"],
        [*render, "--split", "train", "--out", close, "--first-seed", str(CLOSE_SEED),
         "--count", str(max(1, round(CLOSE_SHARE * asked.scenes))), *CLOSE],
        *([*render, "--split", "validation", "--mix", mix, "--out", folder,
           "--count", str(asked.photos), "--first-seed", str(SEEDS[use]), "--size", size,
           "--samples", "40"]
          for use in SEEDS for (mix, size), folder in zip(MIXES.items(), photos[use], strict=True)),
        *(["models.recipe.surface.real", "--photos", asked.surroundings,
           "--role", role, "--out", folder]
          for role, folder in real.items() if asked.surroundings),
        *(["models.recipe.surface.train", "--train", views, *told["train"], *begin,
           "--minutes", str(asked.minutes), "--batch", str(asked.batch), "--side-px", "416",
           "--real-share", share, "--seed", str(31 + at),
           "--cards", str(asked.cards), "--out", str(folder), *workers]
          for at, (share, folder) in enumerate(trained.items())),
        *([["models.recipe.surface.soup", *parts, "--out", str(ships)]] if parts else []),
        ["models.recipe.surface.calibrate", "--model", str(ships), "--photos", *photos["set"],
         "--test", *photos["test"], *told["validation"], *workers],
        ["models.recipe.strips", "--photos", views, close, "--seconds", str(asked.seconds),
         "--look-seconds", str(asked.seconds), "--device", asked.device,
         "--out", str(asked.out / "strips"), *workers],
    ]  # fmt: skip
    return [["python", "-m", *command] for command in commands]


if __name__ == "__main__":
    raise SystemExit(main())
