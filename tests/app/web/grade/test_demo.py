"""The demos say what a photo alone can't tell."""

from __future__ import annotations

import json

from app.web.grade.demo import FOLDER, demos


def test_a_demos_title_tells_the_size_of_its_marker() -> None:
    told = 0
    for demo in demos():
        truth = json.loads((FOLDER / "truth" / demo.file).with_suffix(".json").read_text())
        for one in truth["references"]:
            kind, _, size = one["key"].partition(":")
            if kind == "marker":
                assert f"{size} mm" in demo.title
                told += 1
    assert told, "else no demo shows a marker"
