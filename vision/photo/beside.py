"""Two steps of one photo at the same time, where there are two cores to run them.

OpenCV, numpy and onnxruntime let go of Python's lock while they work, so that a second
thread brings nearly a second core. Where OpenCV was told to use one thread many processes
share the cores, and everything runs in turn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

import cv2

P = ParamSpec("P")
T = TypeVar("T")


def has_second_core() -> bool:
    """Whether this process may use a second core."""
    return cv2.getNumThreads() > 1


@contextmanager
def beside() -> Iterator[Executor]:
    """Give a lane that runs what it is handed, in order, beside the caller.

    Without a second core each piece of work is done when it is handed over. An error comes
    out of ``result()``; leaving the block waits for what is still running.
    """
    if not has_second_core():
        yield _InTurn()
        return
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="beside") as lane:
        yield lane


class _InTurn(Executor):
    """Does everything at once, in the caller's thread."""

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        done: Future[T] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except BaseException as fault:
            done.set_exception(fault)
        return done
