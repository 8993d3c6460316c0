"""What a whole photo is about."""

from __future__ import annotations

import numpy as np

from models.recipe.pieces.kinds import KINDS, WEIGHTS
from models.recipe.scene.stories import STORIES, story


def test_stories_name_what_there_is() -> None:
    assert {kind for kinds, _ in STORIES for kind in kinds} <= set(KINDS)
    assert set(WEIGHTS) == set(KINDS)
    assert all(len(kinds) == len(finishes) for kinds, finishes in STORIES)


def test_fixtures_go_through_all_stories_in_turn_without_clutter() -> None:
    told = [
        story(seed, rng=np.random.default_rng([79, seed]), split="fixtures")
        for seed in range(len(STORIES))
    ]
    assert [t.kinds for t in told] == [kinds for kinds, _ in STORIES]
    assert {t.clutter for t in told} == {0}
    assert all(t.tilt_deg <= 33 for t in told)
    cut = [t for t in told if "cut_end" in t.kinds]
    assert all(t.reference != "card" for t in cut), "a card is too low for a cable's face"
