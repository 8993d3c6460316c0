"""A whole folder of photos: graded by several processes, resumable, nothing half written.

Each finished photo is written down at once, under the hash of its bytes and of what was
asked (``state.jsonl``); run again, only what is missing or was asked differently is
graded. The results are written whole at the end, in the order of the photos.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from app.files import safe_stem, write_whole
from app.folder.photo import Graded, renamed, unread
from app.folder.state import State
from app.folder.workers import Work, on_cluster, on_jobs
from app.pairing import pairs_in
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.request import Request


MOST_JOBS = 64

Told = Callable[[Graded, int, int], None]
"""Hears of each finished photo, with how many are done and how many there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderRun:
    """How a run went.

    Attributes:
        graded: Every photo, in order.
        fresh: How many were graded now; the others were finished before.
        files: What was written.
    """

    graded: tuple[Graded, ...]
    fresh: int
    files: tuple[Path, ...]


def grade_folder(
    photos: Sequence[Path],
    request: Request,
    out: Path,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    told: Told | None = None,
) -> FolderRun:
    """Grade photos into an output folder.

    Args:
        photos: The files, in the order of the results.
        request: What is asked of each.
        out: Output folder; what it holds of an earlier run is gone on with.
        jobs: So many processes on this machine.
        cluster: Address of a Dask scheduler to send the photos to instead.
        told: Hears of each finished photo.

    Raises:
        CuproscopeError: No such number of jobs, or the cluster can't be reached.
        OSError: The output folder can't be written to.
    """
    if not 1 <= jobs <= MOST_JOBS:
        raise CuproscopeError(f"must be 1 to {MOST_JOBS}, not {jobs}", where="jobs")
    from vision.photo.loading import shown_name

    out.mkdir(parents=True, exist_ok=True)
    done: dict[Path, Graded] = {}
    fresh = 0
    with State(out, run=fingerprint(request)) as state:
        waiting: dict[str, list[Path]] = {}
        names, pairs = _overlay_names(photos), pairs_in(photos)

        def note(path: Path, graded: Graded) -> None:
            done[path] = graded
            if told is not None:
                told(graded, len(done), len(photos))

        def work() -> Iterator[Work]:
            """Hash and hand out photos one by one; finished and repeated ones are not."""
            for path in photos:
                digest = _digest(path)
                if digest is None:
                    # grade_photo says in words why a file can't be read.
                    note(path, unread(path, request))
                    continue
                flash = pairs.get(path)
                second = None if flash is None else _digest(flash)
                if second is not None:
                    digest = f"{digest}+{second}"
                kept = state.kept(digest)
                if kept is not None:
                    note(path, renamed(kept, shown_name(path)))
                elif digest in waiting:
                    waiting[digest].append(path)
                else:
                    waiting[digest] = [path]
                    yield Work(path, shown_name(path), digest, flash)

        run = on_cluster(cluster, request) if cluster is not None else on_jobs(jobs, request)
        for digest, result in run(work()):
            first = waiting[digest][0]
            graded = state.keep(replace(result, sha256=digest), names[first])
            fresh += 1
            for path in waiting.pop(digest):
                note(path, renamed(graded, shown_name(path)))
        # A photo that came again while its twin was at work is told of with it; one that
        # came after it finds it finished.
    graded_all = tuple(done[path] for path in photos)
    return FolderRun(graded=graded_all, fresh=fresh, files=write_results(out, graded_all))


def fingerprint(request: Request) -> str:
    """Return a hash of everything beside the photo that decides its answer.

    The sheet, what was stated, the version of the program and the models: another of
    these, and finished photos are graded anew.
    """
    from dataclasses import asdict
    from importlib.metadata import PackageNotFoundError, version
    from importlib.resources import files

    digest = hashlib.sha256()
    digest.update(json.dumps(asdict(request), sort_keys=True, default=str).encode())
    try:
        digest.update(version("cuproscope").encode())
    except PackageNotFoundError:
        digest.update(b"not installed")
    for entry in sorted(files("models").iterdir(), key=lambda one: one.name):
        if entry.name.endswith((".onnx", ".toml", ".json")):
            digest.update(entry.name.encode() + hashlib.sha256(entry.read_bytes()).digest())
    return digest.hexdigest()


def write_results(out: Path, graded: Sequence[Graded]) -> tuple[Path, ...]:
    """Write the results of all photos, each file whole or not at all."""
    from app.folder.contact_sheet import write_contact_sheets
    from app.folder.piece_table import rows_of, write_csv, write_parquet

    lines = out / "results.jsonl"
    text = "".join(f"{one.line}\n" for one in graded)
    write_whole(lines, lambda part: _write_text(part, text))
    rows = [row for one in graded for row in rows_of(json.loads(one.line))]
    table, columns = out / "pieces.csv", out / "pieces.parquet"
    write_csv(table, rows)
    write_parquet(columns, rows)
    drawn = [(one.name, out / one.overlay_name) for one in graded if one.overlay_name is not None]
    return (lines, table, columns, *write_contact_sheets(out, drawn))


def _overlay_names(photos: Sequence[Path]) -> dict[Path, str]:
    taken: set[str] = set()
    names = {}
    for path in photos:
        stem = safe_stem(path.name, taken=taken)
        taken.add(stem.lower())
        names[path] = f"overlays/{stem}.cuproscope.jpg"
    return names


def _digest(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="ascii", newline="\n")
