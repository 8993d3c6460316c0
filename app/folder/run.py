"""A whole folder of photos: graded by several processes, resumable, nothing half written.

Each finished photo is written down at once, under the hash of its bytes and of what was
asked (``state.jsonl``); run again, only what is missing or was asked differently is
graded. The results are written whole at the end, in the order of the photos.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from app.files import safe_stem, write_whole
from app.load.units import LoadError

if TYPE_CHECKING:
    from app.grading import Result
    from app.request import Request

STATE_NAME = "state.jsonl"
STATE_SCHEMA = "cuproscope.folder/1"
MOST_JOBS = 64
IN_FLIGHT = 2
"""Photos handed out for each process: one at work, one waiting."""

OVERLAY_LONG_SIDE_PX = 1600
OVERLAY_QUALITY = 85
UNREADABLE = 3

Told = Callable[["Graded", int, int], None]
"""Hears of each finished photo, with how many are done and how many there are."""

Work = tuple[Path, str, str]
"""Path, name and hash of a photo that waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Graded:
    """One graded photo, ready to be written down.

    Attributes:
        sha256: Hash of the photo's bytes; empty where they could not be read.
        name: What the person called it.
        outcome: Exit code of this photo alone.
        line: Its line of JSON (``cuproscope.grade/1``).
        overlay: The answer drawn on it, as JPEG; None where it could not be read.
        overlay_name: File of the overlay within the output folder.
    """

    sha256: str
    name: str
    outcome: int
    line: str
    overlay: bytes | None = field(default=None, repr=False)
    overlay_name: str | None = None


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


def grade_bytes(name: str, data: bytes, request: Request) -> Graded:
    """Return a photo's grades and its overlay; what goes wrong is in its line."""
    from app.grading import grade_examination, unreadable
    from app.json_lines import as_line
    from vision.examine import examine
    from vision.photo.loading import load_photo

    try:
        examination = examine(
            load_photo(data, name=name),
            reference=request.reference,
            form=request.form,
            facts=request.facts,
            print_scale=request.print_scale,
        )
        result = grade_examination(examination, request)
        overlay = _overlay(result, request)
    except Exception as fault:  # one photo's fault must not cost the others
        result, overlay = unreadable(name, fault), None
    return Graded(
        sha256=hashlib.sha256(data).hexdigest(),
        name=name,
        outcome=int(result.outcome),
        line=as_line(result),
        overlay=overlay,
    )


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
        LoadError: No such number of jobs, or the cluster can't be reached.
        OSError: The output folder can't be written to.
    """
    if not 1 <= jobs <= MOST_JOBS:
        raise LoadError(f"must be 1 to {MOST_JOBS}, not {jobs}", where="jobs")
    from vision.photo.loading import shown_name

    out.mkdir(parents=True, exist_ok=True)
    done: dict[Path, Graded] = {}
    fresh = 0
    with _State(out, run=fingerprint(request)) as state:
        waiting: dict[str, list[Path]] = {}
        names = _overlay_names(photos)

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
                    note(path, _unread(path, request))
                    continue
                kept = state.kept(digest)
                if kept is not None:
                    note(path, renamed(kept, shown_name(path)))
                elif digest in waiting:
                    waiting[digest].append(path)
                else:
                    waiting[digest] = [path]
                    yield path, shown_name(path), digest

        run = _on_cluster(cluster, request) if cluster is not None else _on_jobs(jobs, request)
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


# ------------------------------------------------------------------ who does the work


Run = Callable[[Iterator[Work]], Iterator[tuple[str, Graded]]]
"""Takes work and gives results, in the order in which they are finished."""


def _on_jobs(jobs: int, request: Request) -> Run:
    if jobs == 1:

        def alone(work: Iterator[Work]) -> Iterator[tuple[str, Graded]]:
            for path, name, digest in work:
                yield digest, _grade_file(path, name, request)

        return alone

    def together(work: Iterator[Work]) -> Iterator[tuple[str, Graded]]:
        left = work
        while True:
            lost: list[Work] = []
            yield from _in_pool(left, jobs, request, lost)
            if not lost:
                return
            # A process died, and took those at work beside it along: each again alone, so
            # that only the photo that kills is lost.
            for one in lost:
                again: list[Work] = []
                yield from _in_pool(iter([one]), 1, request, again)
                if again:
                    yield one[2], _killed(one[1])

    return together


def _in_pool(
    work: Iterator[Work], jobs: int, request: Request, lost: list[Work]
) -> Iterator[tuple[str, Graded]]:
    """Grade in processes of their own; ``lost`` gets what was at work when one died."""
    pending: dict[Future[Graded], Work] = {}
    with (
        _one_thread_each(),
        ProcessPoolExecutor(
            jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_begin
        ) as pool,
    ):
        try:
            for one in work:
                pending[pool.submit(_grade_file, one[0], one[1], request)] = one
                if len(pending) >= IN_FLIGHT * jobs:
                    yield from _finished(pending, lost)
                if lost:
                    break
            while pending:
                yield from _finished(pending, lost)
        except BrokenProcessPool:
            lost.append(one)
            lost += pending.values()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _finished(
    pending: dict[Future[Graded], Work], lost: list[Work]
) -> Iterator[tuple[str, Graded]]:
    """Give what is finished of ``pending``, at least one; takes it out of there."""
    ready, _ = wait(pending, return_when=FIRST_COMPLETED)
    for future in ready:
        one = pending.pop(future)
        try:
            yield one[2], future.result()
        except BrokenProcessPool:
            lost.append(one)


def _begin() -> None:
    """Begin a process: one thread of OpenCV; Ctrl-C is for the process that hands out."""
    import cv2

    threading.Thread(target=_end_with_parent, daemon=True).start()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def _end_with_parent() -> None:
    """Stop at once when the process that hands out is gone, however it went.

    It can't say so itself when it is killed, and a worker that waits for work would wait for
    ever with its networks in memory.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes that are begun use one thread each: several share the cores already."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _on_cluster(address: str, request: Request) -> Run:
    def run(work: Iterator[Work]) -> Iterator[tuple[str, Graded]]:
        try:
            from distributed import Client, as_completed
        except ImportError:
            raise LoadError(
                'a cluster needs dask: pip install "cuproscope[cluster]"', where="cluster"
            ) from None
        try:
            client = Client(address, timeout="10s")
        except (OSError, ValueError, TimeoutError) as fault:
            raise LoadError(f"can't be reached ({fault})", where=address) from fault
        with client:
            threads = sum(client.nthreads().values())
            if threads == 0:
                raise LoadError("has no workers yet", where=address)
            shared = client.scatter(request, broadcast=True)
            pending: dict[Any, Work] = {}

            def send() -> bool:
                one = next(work, None)
                if one is None:
                    return False
                data = one[0].read_bytes()
                future = client.submit(grade_bytes, one[1], data, shared, pure=False, retries=1)
                pending[future] = one
                finishing.add(future)
                return True

            finishing = as_completed()
            while len(pending) < IN_FLIGHT * threads and send():
                pass
            for future in finishing:
                _, name, digest = pending.pop(future)
                failed = future.exception() is not None
                yield digest, _killed(name) if failed else future.result()
                future.release()
                send()

    return run


def _grade_file(path: Path, name: str, request: Request) -> Graded:
    try:
        data = path.read_bytes()
    except OSError:
        return _unread(path, request)
    return grade_bytes(name, data, request)


# ----------------------------------------------------------------------------- state


class _State:
    """The finished photos of an output folder, written down one by one.

    A line is written in one go and flushed to the disk; a last line that was cut off by a
    kill is dropped, and its photo graded again. Only one run at a time may use it.
    """

    def __init__(self, out: Path, *, run: str) -> None:
        self.out = out
        self.run = run
        self.path = out / STATE_NAME
        self._kept: dict[str, Graded] = {}
        self._file: IO[str] | None = None

    def __enter__(self) -> _State:
        whole = self._read()
        self._file = self.path.open("a", encoding="utf-8", newline="\n")
        self._file.truncate(whole)
        if whole == 0:
            self._append({"schema": STATE_SCHEMA})
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def kept(self, sha256: str) -> Graded | None:
        """Return a photo's answer if it is finished, was read, and its overlay is there."""
        graded = self._kept.get(sha256)
        if graded is None or graded.outcome == UNREADABLE:
            return None
        if graded.overlay_name is not None and not (self.out / graded.overlay_name).is_file():
            return None
        return graded

    def keep(self, graded: Graded, overlay_name: str) -> Graded:
        """Write a finished photo down: its overlay first, so that a line stands for both."""
        data = graded.overlay
        if data is not None:
            write_whole(self.out / overlay_name, lambda part: _write_data(part, data))
        graded = replace(graded, overlay=None, overlay_name=None if data is None else overlay_name)
        self._append(
            {
                "run": self.run,
                "sha256": graded.sha256,
                "name": graded.name,
                "outcome": graded.outcome,
                "overlay": graded.overlay_name,
                "line": graded.line,
            }
        )
        self._kept[graded.sha256] = graded
        return graded

    def _append(self, entry: dict[str, Any]) -> None:
        assert self._file is not None
        self._file.write(json.dumps(entry) + "\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def _read(self) -> int:
        """Read what is finished; returns how many bytes of the file are whole lines."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return 0
        whole = 0
        for number, line in enumerate(data.splitlines(keepends=True)):
            if not line.endswith(b"\n"):
                break
            try:
                entry = json.loads(line)
                if number == 0:
                    if entry["schema"] != STATE_SCHEMA:
                        raise LoadError("was written by another version", where=str(self.path))
                elif entry["run"] == self.run:
                    self._kept[entry["sha256"]] = Graded(
                        sha256=entry["sha256"],
                        name=entry["name"],
                        outcome=entry["outcome"],
                        line=entry["line"],
                        overlay_name=entry["overlay"],
                    )
            except (ValueError, KeyError, TypeError) as fault:
                raise LoadError(
                    f"is damaged in line {number + 1}; remove it to begin anew",
                    where=str(self.path),
                ) from fault
            whole += len(line)
        return whole


# ----------------------------------------------------------------------------- parts


def renamed(graded: Graded, name: str) -> Graded:
    """Return an answer under another name: the same photo may lie there twice."""
    if graded.name == name:
        return graded
    told = json.loads(graded.line)
    told["photo"]["name"] = name
    line = json.dumps(told, allow_nan=False, separators=(", ", ": "))
    return replace(graded, name=name, line=line)


def _overlay_names(photos: Sequence[Path]) -> dict[Path, str]:
    taken: set[str] = set()
    names = {}
    for path in photos:
        stem = safe_stem(path.name, taken=taken)
        taken.add(stem.lower())
        names[path] = f"overlays/{stem}.cuproscope.jpg"
    return names


def _overlay(result: Result, request: Request) -> bytes | None:
    import io

    from PIL import Image

    from app.overlays import MANY_PIECES, caption_of
    from vision.picture.overlay import draw_overlay

    if result.examination is None:
        return None
    short = len(result.pieces) > MANY_PIECES
    captions = [caption_of(piece, request.sheet, short=short) for piece in result.pieces]
    picture = Image.fromarray(draw_overlay(result.examination, captions))
    picture.thumbnail((OVERLAY_LONG_SIDE_PX, OVERLAY_LONG_SIDE_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=OVERLAY_QUALITY)
    return out.getvalue()


def _unread(path: Path, request: Request) -> Graded:
    """Return the answer for a file whose bytes can't even be read, in grade_photo's words."""
    from app.grading import grade_photo
    from app.json_lines import as_line

    result = grade_photo(path, request)
    return Graded(sha256="", name=result.name, outcome=int(result.outcome), line=as_line(result))


def _killed(name: str) -> Graded:
    """Return the answer for a photo that took its process down."""
    from app.grading import unreadable
    from app.json_lines import as_line

    result = unreadable(name, RuntimeError("the process that graded it died"))
    return Graded(sha256="", name=name, outcome=int(result.outcome), line=as_line(result))


def _digest(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="ascii", newline="\n")


def _write_data(path: Path, data: bytes) -> None:
    path.write_bytes(data)
