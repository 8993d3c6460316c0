"""Cards: the truth of the fixtures, graded by common practice."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from app.practice.cards import (
    PracticeCard,
    Topic,
    deciding_row,
    fixture_cards,
    record_cards,
    topic_of,
)
from app.records import CONFIRMED, NewPiece, Records, RecordsError
from rules.findings import Findings, Finish, Form
from tests.app.records.pieces import HOUSE, graded, new_piece, photo, save_piece
from tests.rules.pieces import mm, piece, tube


def test_every_piece_of_the_fixtures_is_a_card(cards: tuple[PracticeCard, ...]) -> None:
    assert len({card.key for card in cards}) == len(cards) >= 30
    for card in cards:
        assert card.grade in HOUSE.grade_ids and card.reason
        assert card.photo_path is not None and card.photo_path.is_file()
        assert card.place is not None and card.place.box_px[2] > 0
    topics = Counter(card.topic for card in cards)
    for wanted in (
        Topic.SHINY_TUBE,
        Topic.THIN_BRIGHT,
        Topic.NEAR_GAUGE,
        Topic.ENAMEL,
        Topic.TINNED,
        Topic.BRASS,
        Topic.SOLDER,
        Topic.LIGHT_TARNISH,
        Topic.HEAVY_TARNISH,
        Topic.GREEN,
    ):
        assert topics[wanted], wanted


# Common practice, no source: what the trade's rules say of these pieces.
@pytest.mark.parametrize(
    ("name", "grade", "topic"),
    [
        ("tube_28_bright_us_5c:1", "no1", Topic.SHINY_TUBE),  # never bare bright
        ("stranded_19_us_1c_on_wood:1", "no2", Topic.THIN_BRIGHT),  # 0.49 mm, however bright
        ("bright_wires_thick_and_thin:1", "bare_bright", Topic.PLAIN),
        ("tube_with_brass_end:1", "no2", Topic.BRASS),
        ("brass_fitting_gb_5p_in_sun:1", "set_aside", Topic.BRASS),  # brass alone
        ("tube_22_soldered_elbow_eu_50c:1", "no2", Topic.SOLDER),
        ("tinned_cable:1", "no2", Topic.TINNED),
        ("enamelled_wire_white_card:1", "no2", Topic.ENAMEL),
        ("aluminium_wire_card:1", "set_aside", Topic.NOT_COPPER),
        ("sheet_copper_marker_10:1", "set_aside", Topic.NOT_WIRE_OR_TUBE),
        ("tube_green_bent_eu_50c:1", "no2", Topic.GREEN),
        ("handful_on_wood:1", "set_aside", Topic.INSULATED),  # bright, but most is in its jacket
    ],
)
def test_the_truth_is_what_the_trade_says(
    cards: tuple[PracticeCard, ...], name: str, grade: str, topic: Topic
) -> None:
    (card,) = [card for card in cards if card.key == f"fixture:{name}"]
    assert (card.grade, card.topic) == (grade, topic)


@pytest.mark.parametrize(
    ("findings", "topic"),
    [
        (tube(level=0.1), Topic.SHINY_TUBE),
        (tube(level=0.4), Topic.LIGHT_TARNISH),
        (tube(level=0.8), Topic.HEAVY_TARNISH),
        (piece(diameter=mm(1.29)), Topic.NEAR_GAUGE),
        (piece(diameter=mm(1.15)), Topic.NEAR_GAUGE),
        (piece(diameter=mm(0.8)), Topic.THIN_BRIGHT),
        (piece(diameter=mm(2.0)), Topic.PLAIN),
        (piece(insulation=True), Topic.INSULATED),
        (piece(magnet="sticks"), Topic.NOT_COPPER),
        (piece(shares={Finish.BRIGHT: 0.5, Finish.COATED: 0.5}), Topic.ENAMEL),
        (piece(solder=0.9, brass=0.9), Topic.SOLDER),
        (piece(Form.SHEET, shares=None), Topic.NOT_WIRE_OR_TUBE),
    ],
)
def test_each_piece_has_its_topic(findings: Findings, topic: Topic) -> None:
    assert topic_of(findings) is topic


def test_known_pieces_of_the_shop_are_cards(records: Records) -> None:
    pipe = tube(level=0.1)
    sure, unsure, doubted, typed = (
        save_piece(
            records, NewPiece(findings=pipe, grading=graded(pipe), sheet=HOUSE, photos=photos)
        )
        for photos in ((photo(1),), (photo(2),), (photo(3),), ())
    )
    for known in (sure, typed):
        records.add_tag(known.id, CONFIRMED)
    buyer = records.add_buyer("Yard")
    records.record_outcome(doubted.id, buyer_id=buyer.id, grade="no2")
    found = {card.key: card for card in record_cards(records.pieces(), HOUSE)}
    assert set(found) == {f"record:{sure.id}", f"record:{doubted.id}"}
    assert (found[f"record:{sure.id}"].grade, found[f"record:{sure.id}"].row) == (
        "no1",
        "clean-tube",
    )
    told = found[f"record:{doubted.id}"]
    assert (told.grade, told.row) == ("no2", None) and "buyer" in told.reason
    assert told.photo_sha256 == doubted.photos[0].sha256
    assert unsure.id not in str(found)


def test_the_deciding_row_is_told() -> None:
    assert deciding_row(tube(level=0.1), HOUSE)[0] == "clean-tube"
    assert new_piece().sheet is HOUSE


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", json.dumps({"schema": "x"}), '{"schema": "cuproscope.truth/1"}']
)
def test_a_truth_that_can_t_be_read_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / "renders").mkdir()
    (tmp_path / "renders" / "a.json").write_text(text)
    with pytest.raises(RecordsError, match=r"a\.json"):
        fixture_cards(tmp_path, HOUSE)
