"""What one visitor has in hand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from app.web.desk.again import Taps
from app.web.desk.inbox import Kept
from app.web.desk.state import Visit

PHOTOS = [Kept(sha256=f"{number:064x}", name=f"{number}.jpg") for number in range(4)]


def test_the_photo_handed_in_last_is_looked_at_and_none_is_doubled() -> None:
    here = Visit()
    assert here.photo is None
    for photo in (PHOTOS[0], PHOTOS[1], PHOTOS[0]):
        here.put(photo)
        assert here.photo == photo
    assert here.photos == PHOTOS[:2]


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 3)), max_size=20))
def test_whatever_comes_and_goes_a_photo_in_hand_is_shown(steps: list[tuple[bool, int]]) -> None:
    here = Visit()
    for comes, number in steps:
        (here.put if comes else here.drop)(PHOTOS[number])
        assert (here.photo in here.photos) if here.photos else here.photo is None


def test_taps_go_with_their_photo() -> None:
    here = Visit()
    for photo in PHOTOS[:2]:
        here.put(photo)
        here.taps[photo.sha256] = Taps(at=(1.0, 2.0))
    here.drop(PHOTOS[0])
    assert list(here.taps) == [PHOTOS[1].sha256]
    rounds = here.rounds
    here.lay_all_aside()
    assert (here.photos, here.taps, here.photo) == ([], {}, None)
    assert here.rounds == rounds + 1  # so that the uploader lets go of its files


def test_no_tap_is_no_taps() -> None:
    assert not Taps()
    assert Taps(at=(0.0, 0.0))
    assert Taps(ends=((0.0, 0.0), (1.0, 1.0)))
