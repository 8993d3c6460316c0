"""Helpers practise, are tested, and find everything again after a restart."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from app.opening import open_records
from app.practice.cards import PracticeCard, Topic
from app.practice.store import TEST_CARDS, Practice, fixed_test, progress_of
from app.records import NoSuchRecordError, Records, RecordsError
from app.records.archive import export_zip, import_zip
from tests.app.records.pieces import HOUSE

NOW = datetime(2026, 1, 1, tzinfo=UTC)
Cards = tuple[PracticeCard, ...]


def test_a_round_is_remembered(practice: Practice, cards: Cards, records: Records) -> None:
    robin, sam = practice.add_helper(" Robin "), practice.add_helper("Sam")
    assert practice.add_helper("ROBIN") == robin
    first = practice.next_cards(robin.id, cards, now=NOW)
    assert len(first) == 10
    assert first == practice.next_cards(robin.id, cards, now=NOW)
    for number, card in enumerate(first):
        right = number % 2 == 0
        grade = card.grade if right else "set_aside" if card.grade != "set_aside" else "no1"
        answer = practice.answer(
            robin.id, card, grade=grade, row=card.row if right else "green", seconds=2.5, now=NOW
        )
        assert answer.is_right is right
    again = practice.next_cards(robin.id, cards, now=NOW + timedelta(seconds=1))
    assert not {card.key for card in first} & {card.key for card in again}
    assert practice.due(robin.id, now=NOW) == 0
    assert practice.due(robin.id, now=NOW + timedelta(days=1)) == 10
    assert practice.answers(sam.id) == ()
    with open_records(records.folder) as reopened:
        after = Practice(reopened)
        assert after.helpers() == (robin, sam)
        assert after.answers(robin.id) == practice.answers(robin.id)
        assert after.next_cards(robin.id, cards, now=NOW + timedelta(seconds=1)) == again


def test_progress_tells_agreement_and_weak_spots(practice: Practice, cards: Cards) -> None:
    helper = practice.add_helper("Robin")
    by_grade = {g: next(c for c in cards if c.grade == g) for g in HOUSE.grade_ids}
    said = [("no1", "no1")] * 6 + [("no2", "no2")] * 6 + [("no1", "no2")] * 2 + [("no2", "no1")]
    for minute, (truth, answered) in enumerate(said):
        now = NOW + timedelta(minutes=minute)
        card = by_grade[truth]
        practice.answer(helper.id, card, grade=answered, row=card.row, now=now)
    progress = practice.progress(helper.id, grades=HOUSE.grade_ids)
    assert progress.right is not None and (progress.right.right, progress.right.count) == (12, 15)
    # By hand: p_o = 12/15; rows 8 and 7, columns 7 and 8 of 15: p_e = 112/225.
    assert progress.kappa is not None
    assert progress.kappa.value == pytest.approx((12 / 15 - 112 / 225) / (1 - 112 / 225))
    assert progress.confusion.mixed_up_most == ("no1", "no2", 3)
    assert progress.first_kappa is not None and progress.first_kappa.count == 2
    assert progress.topics[0][1].value <= progress.topics[-1][1].value
    assert progress.reasons_right is not None and progress.reasons_right.value == 1
    assert [run.count for run in progress.trend] == [15]


def test_no_answers_are_no_progress() -> None:
    progress = progress_of((), grades=HOUSE.grade_ids)
    assert progress.right is None and progress.kappa is None and progress.trend == ()


def test_a_test_is_the_same_for_everybody(practice: Practice, cards: Cards) -> None:
    keys = fixed_test(cards)
    assert len(set(keys)) == TEST_CARDS
    assert fixed_test(tuple(reversed(cards))) == keys
    by_key = {card.key: card for card in cards}
    assert {by_key[key].topic for key in keys} == {card.topic for card in cards}

    helper = practice.add_helper("Robin")
    begun = practice.begin_test(helper.id, cards)
    assert begun.card_keys == keys and begun.left == keys
    for key in reversed(keys):
        practice.answer(helper.id, by_key[key], grade="no2", test_id=begun.id)
    done = practice.test(begun.id)
    assert done.is_finished and [a.card_key for a in done.answers] == list(keys)
    assert practice.tests(helper.id) == (done,)
    result = progress_of(done.answers, grades=HOUSE.grade_ids)
    assert result.right is not None and result.right.count == TEST_CARDS
    assert result.kappa is not None and result.kappa.value == pytest.approx(0)
    assert practice.due(helper.id, now=NOW + timedelta(days=9999)) == 0  # no feedback, no schedule


def test_a_test_takes_each_card_once(practice: Practice, cards: Cards) -> None:
    helper, other = practice.add_helper("Robin"), practice.add_helper("Sam")
    begun = practice.begin_test(helper.id, cards)
    by_key = {card.key: card for card in cards}
    card = by_key[begun.card_keys[0]]
    practice.answer(helper.id, card, grade="no2", test_id=begun.id)
    stranger = next(c for c in cards if c.key not in begun.card_keys)
    for helper_id, wrong in (
        (helper.id, card),
        (helper.id, stranger),
        (other.id, by_key[begun.card_keys[1]]),
    ):
        with pytest.raises(RecordsError):
            practice.answer(helper_id, wrong, grade="no2", test_id=begun.id)
    assert len(practice.test(begun.id).answers) == 1
    with pytest.raises(RecordsError, match="30 cards"):
        practice.begin_test(helper.id, cards[:29])


def test_a_helper_goes_with_all_answers(practice: Practice, cards: Cards) -> None:
    helper = practice.add_helper("Robin")
    begun = practice.begin_test(helper.id, cards)
    practice.answer(helper.id, cards[0], grade="no1")
    practice.remove_helper(helper.id)
    assert practice.helpers() == ()
    for act in (
        lambda: practice.answers(helper.id),
        lambda: practice.test(begun.id),
        lambda: practice.answer(helper.id, cards[0], grade="no1"),
        lambda: practice.next_cards(helper.id, cards),
        lambda: practice.remove_helper(helper.id),
    ):
        with pytest.raises(NoSuchRecordError):
            act()
    with pytest.raises(RecordsError):
        practice.add_helper(" \n")


def test_practice_travels_with_the_records(
    practice: Practice, cards: Cards, records: Records, tmp_path: Path
) -> None:
    helper = practice.add_helper("Robin")
    begun = practice.begin_test(helper.id, cards)
    by_key = {card.key: card for card in cards}
    practice.answer(helper.id, by_key[begun.card_keys[0]], grade="no1", test_id=begun.id)
    practice.answer(helper.id, cards[0], grade="no1", now=NOW)
    export_zip(records, tmp_path / "out.zip")
    with open_records(tmp_path / "other") as other:
        there = Practice(other)
        mine = there.add_helper("robin")  # the same person, under another id
        for rows in (4, 0):  # the test, two answers, one schedule; then nothing
            assert import_zip(other, tmp_path / "out.zip").other_rows == rows
        assert there.helpers() == (mine,)
        found, told = there.answers(mine.id), practice.answers(helper.id)
        assert found == told
        assert there.test(begun.id).helper_id == mine.id
        assert there.due(mine.id, now=NOW + timedelta(days=1)) == 1
    records.delete_everything()
    assert practice.helpers() == ()


def test_what_an_import_spoiled_does_no_harm(practice: Practice, cards: Cards) -> None:
    helper = practice.add_helper("Robin")
    practice.answer(helper.id, cards[0], grade="no1", now=NOW)
    with practice._records.writing() as session:
        session.connection().exec_driver_sql("UPDATE practice_schedule SET state = 77")
        session.connection().exec_driver_sql("UPDATE practice_answer SET topic = 'from later'")
    assert practice.answers(helper.id)[0].topic is Topic.PLAIN
    assert practice.next_cards(helper.id, cards, now=NOW)
    practice.answer(helper.id, cards[0], grade="no1", now=NOW)
    assert replace(cards[0], key="x").key == "x"
