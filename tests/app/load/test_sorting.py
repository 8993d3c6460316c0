"""New pieces go to the bin of their grade, unsure ones to the tray, and its checks are listed."""

from __future__ import annotations

from dataclasses import replace

from app.load.bins import Bin, Load, Piece
from app.load.sorting import TRAY, checks_of, put_in
from app.load.terms import title_of
from tests.app.load.loads import PRICES, buyer, load, piece, terms

SCRAPE, MAGNET = "scrape a spot", "hold a magnet to it"


def unsure(name: str, check: str) -> Piece:
    return replace(piece(name, "1", no1=0.6, no2=0.4), settle=check)


def test_a_piece_goes_to_the_bin_of_its_grade_which_is_made_where_there_is_none() -> None:
    start = load(Bin(name="blue tub", grade="no1"))
    after = put_in(put_in(start, piece("a", no1=1.0)), piece("b", no2=1.0), called=title_of)
    assert [(b.name, [one.id for one in b.pieces]) for b in after.bins] == [
        ("blue tub", ["a"]),
        ("No. 2", ["b"]),
    ]


def test_an_unsure_piece_waits_in_the_tray_unless_the_person_says_where() -> None:
    doubtful = unsure("a", SCRAPE)
    assert put_in(Load(name="x"), doubtful).bins[0].grade == TRAY
    (chosen,) = put_in(Load(name="x"), doubtful, into="mine").bins
    assert (chosen.name, chosen.grade) == ("mine", "no1")


def test_what_another_line_buys_goes_to_the_bin_of_that_line() -> None:
    start, ring = Load(name="x"), replace(piece("a", set_aside=1.0), line="brass")
    assert [b.grade for b in put_in(start, ring).bins] == ["brass"]
    # Nobody pays by a line without a price of its own; the tray and the person come first.
    bolt = replace(ring, line="another metal")
    assert [b.grade for b in put_in(start, bolt).bins] == ["set_aside"]
    assert put_in(start, replace(ring, settle=SCRAPE)).bins[0].grade == TRAY
    assert put_in(start, ring, into="mine").bins[0].grade == "set_aside"


def test_checks_come_one_after_the_other_with_all_their_pieces() -> None:
    now = Load(name="x")
    for name, check in (("a", MAGNET), ("b", SCRAPE), ("c", SCRAPE)):
        now = put_in(now, unsure(name, check))
    told = [(check, [one.id for one in pieces]) for check, pieces in checks_of(now)]
    assert told == [(SCRAPE, ["b", "c"]), (MAGNET, ["a"])]
    assert checks_of(put_in(Load(name="x"), piece("d", no1=1.0))) == ()


def test_a_tray_that_is_taken_along_goes_as_what_most_of_it_likely_is() -> None:
    now = put_in(Load(name="x"), unsure("a", SCRAPE))
    assert terms(buyer(), PRICES).label_of(now.bins[0]) == "no1"
