"""The options of ``cuproscope grade`` for a whole folder, and what they do."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.exit_codes import EXIT_UNWRITTEN, PhotoOutcome
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.folder.photo import Graded
    from app.folder.run import FolderRun, Told
    from app.request import Request

DEFAULT_OUT = Path("graded")

MOST_UNREAD = 5
"""Of more photos that were not read the results alone say why."""


def add_folder_options(grade: Any) -> None:  # noqa: ANN401 (argparse has no public name for it)
    """Add ``--jobs``, ``--out`` and ``--cluster`` to the parser of ``grade``."""
    folder = grade.add_argument_group(
        "a whole folder",
        "Any of these grades into an output folder (results.jsonl, pieces.csv,\n"
        "pieces.parquet, overlays, contact sheets). Stopped and run again, it goes on\n"
        "where it was.",
    )
    folder.add_argument("--jobs", type=int, metavar="N", help="so many processes at once")
    folder.add_argument(
        "--out", type=Path, metavar="DIR", help=f"output folder (default: {DEFAULT_OUT})"
    )
    folder.add_argument(
        "--cluster", metavar="ADDRESS", help="Dask scheduler to send the photos to, tcp://host:8786"
    )


def grade_whole_folder(arguments: argparse.Namespace, request: Request) -> int:
    """Grade photos into an output folder; returns the exit code of the worst."""
    from app.folder.run import grade_folder
    from vision.photo.loading import find_photos

    if arguments.findings is not None or arguments.overlay is not None:
        raise CuproscopeError("--findings and --overlay don't go with --jobs, --out or --cluster")
    if not arguments.photos:
        raise CuproscopeError("name at least one photo, folder or pattern (see --help)")
    out = DEFAULT_OUT if arguments.out is None else arguments.out
    finished = 0

    def counted(graded: Graded, done: int, photos: int) -> None:
        nonlocal finished
        finished = done
        if told is not None:
            told(graded, done, photos)

    photos = find_photos(arguments.photos)
    try:
        with _progress(len(photos)) as told:
            run = grade_folder(
                photos,
                request,
                out,
                jobs=1 if arguments.jobs is None else arguments.jobs,
                cluster=arguments.cluster,
                told=counted,
            )
    except OSError as fault:
        if not finished:
            raise CuproscopeError(f"can't be written: {fault}", where=str(out)) from fault
        sys.stderr.write(
            f"cuproscope: {out}: can't be written: {fault.strerror or fault}. {finished} of "
            f"{len(photos)} photos are finished and kept; make room, then run the same again.\n"
        )
        return EXIT_UNWRITTEN
    if arguments.json:
        sys.stdout.writelines(f"{one.line}\n" for one in run.graded)
    else:
        sys.stdout.write(summary(run))
    outcomes = {one.outcome for one in run.graded}
    worst_first = (PhotoOutcome.UNREADABLE, PhotoOutcome.NOT_MEASURABLE)
    return next((int(o) for o in worst_first if int(o) in outcomes), 0)


def summary(run: FolderRun) -> str:
    """Return how a run went, in a few lines."""
    import json

    from app.report import printable

    counted = Counter(one.outcome for one in run.graded)
    grades: Counter[str] = Counter()
    unread: list[str] = []
    for one in run.graded:
        told = json.loads(one.line)
        if one.outcome == PhotoOutcome.UNREADABLE:
            why = " ".join(problem["text"] for problem in told["problems"])
            unread.append(printable(f"not read: {told['photo']['name']}: {why}"))
        for piece in told["pieces"]:
            grade = piece["grade"]
            grades["borderline" if grade["borderline"] else grade["suggested"] or "borderline"] += 1
    photos, before = len(run.graded), len(run.graded) - run.fresh
    lines = [
        f"{photos} photo{'' if photos == 1 else 's'}: {counted[0]} graded, "
        f"{counted[4]} not measurable, {counted[3]} not read"
        + (f" ({before} finished before, or twice)" if before else ""),
        "pieces: " + (", ".join(f"{n} {name}" for name, n in grades.most_common()) or "none"),
        *unread[:MOST_UNREAD],
        *(["..."] if len(unread) > MOST_UNREAD else []),
        *(f"written: {path}" for path in run.files),
    ]
    return "\n".join(lines) + "\n"


@contextmanager
def _progress(photos: int) -> Iterator[Told | None]:
    """Give what to call for each finished photo: a bar on a terminal, nothing elsewhere."""
    if photos < 2 or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(total=photos, unit="photo", leave=False, file=sys.stderr) as bar:
        yield lambda _graded, _done, _all: bar.update(1)
