"""From a photo to answers with their truth, through the whole tool."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bench.real import asked, found_marks, judged, main
from bench.real_truth import read_marks

REAL = Path(__file__).parents[2] / "fixtures" / "real"
STRANDS = "surfaces/odri_red_wire_1mm2_stripped_window_bright_copper.jpg"


def test_each_mark_is_answered_for_and_answers_can_be_read_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = next(p for p in read_marks(REAL) if p.file == STRANDS)
    told = json.loads(json.dumps(asked(REAL, photo)))
    answers = list(judged(told, photo))
    found = found_marks([told], {photo.file: photo})
    assert len(answers) + len(told["faults"]) >= 1
    assert sum(map(len, found.values())) == len(photo.marks) == 3
    missed = sum(not hit for hits in found.values() for hit in hits)
    assert sum(a.piece["tapped"] for a in answers) + len(told["faults"]) <= missed
    assert all(a.truth.kind in {"bright", "insulated", "mixed", "unsure"} for a in answers)
    assert [m["name"] for m in told["inside"]] == [m.name for m in photo.marks]
    assert all(abs(sum(m["p"].values()) - 1) < 1e-3 for m in told["inside"])
    kept = tmp_path / "answers.json"
    kept.write_text(json.dumps([told]), encoding="utf-8")
    pictures = tmp_path / "pictures"
    assert main(["--photos", str(REAL), "--answers", str(kept), "--pictures", str(pictures)]) == 0
    assert f"{len(answers)} answers" in capsys.readouterr().out
    assert (pictures / "real_test.png").stat().st_size > 1000
