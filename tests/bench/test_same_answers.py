"""Does the comparison of answers ask for each coin and marker, and name what differs?"""

from __future__ import annotations

import json
from pathlib import Path

from bench.same_answers import differences, named_references


def test_a_coin_or_marker_that_the_truth_names_is_asked_for(tmp_path: Path) -> None:
    for name, keys in (("coin", ["us-1c"]), ("card", ["card"]), ("bare", []), ("far", ["eu-1"])):
        folder = tmp_path / "truth" if name == "far" else tmp_path
        folder.mkdir(exist_ok=True)
        photo = f"../{name}.jpg" if name == "far" else f"{name}.jpg"
        references = [{"key": key} for key in keys]
        truth = {"schema": "cuproscope.truth/1", "photo": photo, "references": references}
        (folder / f"{name}.json").write_text(json.dumps(truth), encoding="utf-8")
    (tmp_path / "other.json").write_text("[]", encoding="utf-8")
    named = [(tmp_path / "coin.jpg", "us-1c"), (tmp_path / "far.jpg", "eu-1")]
    assert named_references(tmp_path) == named


def test_the_first_value_that_differs_is_named() -> None:
    before, after = (
        json.dumps({"photo": {"name": "a.jpg"}, "pieces": [{"p": p}]}) for p in (0.5, 0.6)
    )
    assert list(differences([before], [before])) == []
    assert list(differences([before], [after])) == ["a.jpg: pieces[0].p: 0.5 -> 0.6"]
    assert list(differences([before], [])) == ["1 answers before, 0 now"]
