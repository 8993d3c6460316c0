"""Lots and photos come into a load."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import vision.examine
from app.load.pictures import picture_of
from app.opening import open_records
from tests.app.load.cli.asking import Run
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo


def test_photos_go_into_the_bin_that_fits_and_into_the_records(
    run: Run, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stand_in(photo: Photo, **_: Any) -> Examination:
        found = examination(size=(480, 640), pieces=2, scale=True)
        return Examination(photo=photo, scale=found.scale, pieces=found.pieces)

    monkeypatch.setattr(vision.examine, "examine", stand_in)
    good, bad = tmp_path / "a.jpg", tmp_path / "b.jpg"
    Image.fromarray(np.full((480, 640, 3), (176, 142, 108), np.uint8)).save(good)
    bad.write_text("no photo")
    code, out, err = run("add", good, bad, "--json")
    assert code == 3, "one could not be read"
    assert "b.jpg" in err
    pieces = [piece for b in json.loads(out)["bins"] for piece in b["pieces"]]
    assert [piece["name"] for piece in pieces] == ["a 1", "a 2"]
    assert all(piece["record"] and piece["photo"] for piece in pieces)
    for b in json.loads(out)["bins"]:
        assert all(piece["grade"] == b["grade"] for piece in b["pieces"])
    # The ticket's picture is cut to the piece; without its record it is the whole photo.
    with open_records(folder) as records:
        first = pieces[0]
        cut = picture_of(records, first["photo"], first["record"])
        whole = picture_of(records, first["photo"], None)
        assert cut is not None
        assert whole is not None
        sizes = [Image.open(io.BytesIO(data)).size for data in (cut, whole)]
        assert max(sizes[0]) == 480
        assert sizes[0] != sizes[1] == (480, 360)
        assert picture_of(records, "0" * 64, None) is None
