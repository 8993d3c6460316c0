"""A folder's run told in a few lines, and the exit code of its worst photo."""

from __future__ import annotations

import json
from pathlib import Path

from app.exit_codes import PhotoOutcome
from app.folder.command import MOST_UNREAD, summary
from app.folder.photo import Graded
from app.folder.run import FolderRun


def graded(outcome: PhotoOutcome, *grades: tuple[str | None, bool]) -> Graded:
    pieces = [{"grade": {"suggested": to, "borderline": is_so}} for to, is_so in grades]
    told = {
        "photo": {"name": "a.jpg"},
        "pieces": pieces,
        "problems": [{"text": "The file is cut."}],
    }
    return Graded(sha256="", name="a.jpg", outcome=int(outcome), line=json.dumps(told))


def test_photos_and_pieces_are_counted_by_how_they_went() -> None:
    run = FolderRun(
        graded=(
            graded(PhotoOutcome.GRADED, ("no1", False), ("no1", False), ("no2", True)),
            graded(PhotoOutcome.NOT_MEASURABLE, (None, False), ("no2", False)),
            graded(PhotoOutcome.UNREADABLE),
        ),
        fresh=2,
        files=(Path("graded") / "results.jsonl",),
    )
    # Counted by hand: a piece that could be either is no piece of its likelier grade.
    assert summary(run).splitlines() == [
        "3 photos: 1 graded, 1 not measurable, 1 not read (1 finished before, or twice)",
        "pieces: 2 no1, 2 borderline, 1 no2",
        "not read: a.jpg: The file is cut.",
        f"written: {Path('graded') / 'results.jsonl'}",
    ]


def test_a_run_without_a_piece_says_so() -> None:
    run = FolderRun(graded=(graded(PhotoOutcome.UNREADABLE),), fresh=1, files=())
    assert summary(run).splitlines() == [
        "1 photo: 0 graded, 0 not measurable, 1 not read",
        "pieces: none",
        "not read: a.jpg: The file is cut.",
    ]


def test_of_many_photos_that_were_not_read_the_first_say_why() -> None:
    run = FolderRun(graded=(graded(PhotoOutcome.UNREADABLE),) * 40, fresh=40, files=())
    assert len(summary(run).splitlines()) == 2 + MOST_UNREAD + 1
