"""Photos as advised: what lies there, how far apart, and where it says it comes from."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import pytest

from models.recipe.look.finishes import REFERENCE, TABLE
from models.recipe.pieces import kinds
from models.recipe.render import mix_of
from models.recipe.scene import bench_mix, references, truth
from models.recipe.scene.assembly import STRANGERS_FROM
from models.recipe.scene.settings import lay
from models.recipe.tables import tables
from rules.findings import Source
from vision.reference.sheet import sheet_geometry


def plans(count: int) -> list[bench_mix.Plan]:
    return [bench_mix.plan(np.random.default_rng([50, k]), skies=False) for k in range(count)]


def test_everything_named_can_be_laid() -> None:
    for source in bench_mix.SOURCES.values():
        assert set(source.kinds) <= set(kinds.KINDS)
    assert list(bench_mix.SOURCES) == [str(s) for s in Source]
    assert set(bench_mix.TABLES) <= set(tables.KINDS)


def test_a_bench_holds_what_the_design_says() -> None:
    # Common practice, no source: clear lacquer on bare copper is rare, enamel comes from
    # motors, coils and what is in appliances, paper is white mostly, daylight always.
    drawn = plans(1500)
    of_source: dict[str, Counter[str]] = {name: Counter() for name in bench_mix.SOURCES}
    for plan in drawn:
        for finish, source in zip(plan.finishes, plan.sources, strict=True):
            of_source[str(source)][str(finish)] += 1
    everything = sum(of_source.values(), Counter())
    assert everything["lacquer"] < 0.02 * everything.total()
    assert {s for s, c in of_source.items() if c["enamel"]} <= {"motor_transformer", "appliance"}
    motor = of_source["motor_transformer"]
    assert motor["enamel"] > 0.6 * motor.total()
    on_white = [p.table == "white_paper" or p.reference == "sheet" for p in drawn]
    assert np.mean(on_white) > 0.6
    assert {p.light for p in drawn} == {"window", "overcast", "sun", "low_sun"}
    assert all(150 <= p.camera_height_mm <= 300 for p in drawn)
    assert max(len(p.kinds) for p in drawn) == 4
    assert 0.02 < np.mean([not p.kinds for p in drawn]) < 0.1, "some photos show no copper"


def test_pieces_as_advised_lie_apart_and_say_where_they_come_from() -> None:
    laid = 0
    for k in range(5):
        rng = np.random.default_rng([51, k])
        plan = bench_mix.plan(rng, skies=False)
        made = lay(rng, plan)
        assert {p.source for p in made.pieces} <= set(plan.sources)
        boxes = {}
        for number in np.unique(made.face_piece[made.face_piece > 0]):
            faces = made.mesh.faces[made.face_piece == number]
            boxes[int(number)] = made.mesh.points[np.unique(faces)][::7, :2]
        pieces = [points for number, points in boxes.items() if number < STRANGERS_FROM]
        laid += len(pieces)
        for i, one in enumerate(pieces):
            for other in pieces[:i]:
                if {p.facts.get("side_by_side") for p in made.pieces} != {None}:
                    continue  # rods that touch are laid as one
                gap = min(float(np.linalg.norm(other - q, axis=1).min()) for q in one[::11])
                assert gap > 0.5
    assert laid > 5


def test_both_halves_take_turns() -> None:
    assert [mix_of(k, "both") for k in range(4)] == ["hard", "advised", "hard", "advised"]
    assert mix_of(1, "hard") == "hard"


def test_the_printed_sheet_is_the_one_that_is_printed() -> None:
    geometry = sheet_geometry("a4")
    made = references.printed_sheet(np.random.default_rng(52))
    skin = made.parts[0][1]
    face = (np.clip(skin.base[::-1], 0, 1) * 255).mean(axis=2).astype(np.uint8)
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), cv2.aruco.DetectorParameters()
    )
    corners, ids, _ = detector.detectMarkers(face)
    assert set(ids.ravel()) == set(geometry.markers)
    for square, number in zip(corners, ids.ravel(), strict=True):
        # Texel centres lie half a texel inside the paper's edge.
        told = (square[0] + 0.5) / references.SHEET_TEXELS_MM
        assert told == pytest.approx(np.asarray(geometry.markers[int(number)]), abs=0.2)
    label = skin.label[::-1]
    x, y, wide, high = geometry.work_area_mm
    middle = label[int((y + high / 2) * 5), int((x + wide / 2) * 5)]
    assert middle == TABLE
    assert label[20 * 5, 100 * 5] == REFERENCE


def test_presence_is_told_with_its_share_of_what_shows() -> None:
    from models.recipe.look import finishes as fin

    label = np.full(10_000, fin.BRIGHT, np.uint8)
    label[:2500] = fin.INSULATION
    label[2500:2505] = fin.SOLDER  # less than anyone could check
    told = truth.seen(label)
    assert told["insulation"] == {"present": True, "share": 0.25}
    assert told["solder"] == {"present": False, "share": 0.0005}
    assert truth.not_copper(label) == {"other_metal": False, "not_metal": False}
    steel = np.full(1000, fin.OTHER, np.uint8)
    assert truth.not_copper(steel) == {"other_metal": True, "not_metal": False}
    steel[:700] = fin.STRANGER  # a screwdriver, most of it handle
    assert truth.not_copper(steel) == {"other_metal": False, "not_metal": True}
