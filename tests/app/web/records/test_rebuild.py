"""Photos of a lost database become records again."""

from __future__ import annotations

from pathlib import Path

from app.opening import open_records
from app.records import new_pieces_of
from app.records.database import DATABASE_NAME
from app.records.photos import encode_photo
from app.web.records.rebuild import rebuild
from tests.app.records.pieces import HOUSE, picture
from tests.app.web.served import DEMO


def test_the_pieces_on_them_are_there_again(tmp_path: Path) -> None:
    from app.grading import grade_photo
    from app.request import Request

    graded = grade_photo(DEMO / "tube_with_brass_end.jpg", Request(sheet=HOUSE))
    with open_records(tmp_path) as records:
        (before,) = records.save_pieces(new_pieces_of(graded, HOUSE))
    for path in tmp_path.glob(f"{DATABASE_NAME}*"):
        path.unlink()
    with open_records(tmp_path) as records:
        records.photos.put(encode_photo(picture()))  # noise: nothing lies on it
        records.mend()
        assert len(records.photos.laid_aside()) == 2
        told = rebuild(records)
        assert (told.pieces, told.without) == (1, 1)
        (after,) = records.pieces()
        assert after.grading.suggested == before.grading.suggested
        assert records.photo_bytes(after.photos[0].sha256)
        assert len(records.photos.laid_aside()) == 1
        assert rebuild(records).pieces == 0
