"""A bar on the terminal while several photos are graded."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path


@contextmanager
def progress(
    photos: tuple[Path, ...],
) -> Iterator[tuple[Iterable[Path], Callable[[], AbstractContextManager[None]]]]:
    """Give the photos, with a bar on the terminal when there are several of them.

    Yields the photos and a context in which the bar makes room for other output.
    """

    @contextmanager
    def no_pause() -> Iterator[None]:
        yield

    if len(photos) < 2 or not sys.stderr.isatty():
        yield photos, no_pause
        return
    from tqdm import tqdm

    with tqdm(photos, unit="photo", leave=False, file=sys.stderr) as bar:

        @contextmanager
        def pause() -> Iterator[None]:
            bar.clear()
            yield
            bar.refresh()

        yield bar, pause
