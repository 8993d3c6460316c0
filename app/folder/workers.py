"""Who grades the photos of a folder: this process, several, or other machines?"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from app.folder.photo import Graded, flash_bytes, grade_bytes, grade_file, killed
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.request import Request


IN_FLIGHT = 2
"""Photos handed out for each process: one at work, one waiting."""


class Work(NamedTuple):
    """A photo that waits: its file, name and hash, and what may be the same with the flash on."""

    path: Path
    name: str
    digest: str
    flash: Path | None = None


Run = Callable[[Iterator[Work]], Iterator[tuple[str, Graded]]]
"""Takes work and gives results, in the order in which they are finished."""


def on_jobs(jobs: int, request: Request) -> Run:
    """Return what grades in so many processes of this machine; one is this process itself."""
    if jobs == 1:

        def alone(work: Iterator[Work]) -> Iterator[tuple[str, Graded]]:
            for path, name, digest, flash in work:
                yield digest, grade_file(path, name, request, flash)

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
                    yield one.digest, killed(one.name)

    return together


def _in_pool(
    work: Iterator[Work], jobs: int, request: Request, lost: list[Work]
) -> Iterator[tuple[str, Graded]]:
    """Grade in processes of their own; ``lost`` gets what was at work when one died."""
    pending: dict[Future[Graded], Work] = {}
    with (
        one_thread_each(),
        ProcessPoolExecutor(
            jobs, mp_context=multiprocessing.get_context("spawn"), initializer=begin
        ) as pool,
    ):
        try:
            for one in work:
                pending[pool.submit(grade_file, one.path, one.name, request, one.flash)] = one
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
            yield one.digest, future.result()
        except BrokenProcessPool:
            lost.append(one)


def begin() -> None:
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
def one_thread_each() -> Iterator[None]:
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


def on_cluster(address: str, request: Request) -> Run:
    """Return what sends the photos to the workers of a Dask scheduler."""

    def run(work: Iterator[Work]) -> Iterator[tuple[str, Graded]]:
        try:
            from distributed import Client, as_completed
        except ImportError:
            raise CuproscopeError(
                'a cluster needs dask: pip install "cuproscope[cluster]"', where="cluster"
            ) from None
        try:
            client = Client(address, timeout="10s")
        except (OSError, ValueError, TimeoutError) as fault:
            raise CuproscopeError(f"can't be reached ({fault})", where=address) from fault
        with client:
            threads = sum(client.nthreads().values())
            if threads == 0:
                raise CuproscopeError("has no workers yet", where=address)
            shared = client.scatter(request, broadcast=True)
            pending: dict[Any, Work] = {}

            def send() -> bool:
                one = next(work, None)
                if one is None:
                    return False
                given = (one.name, one.path.read_bytes(), shared, flash_bytes(one.flash))
                future = client.submit(grade_bytes, *given, pure=False, retries=1)
                pending[future] = one
                finishing.add(future)
                return True

            finishing = as_completed()
            while len(pending) < IN_FLIGHT * threads and send():
                pass
            for future in finishing:
                one = pending.pop(future)
                failed = future.exception() is not None
                yield one.digest, killed(one.name) if failed else future.result()
                future.release()
                send()

    return run
