"""A head for the piece that says what a test wants it to say."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rules.findings import ON_THE_PIECE, Form, What
from vision.finish.piece_head import PieceModel, RawAnswers
from vision.types import Float32Array

LEARNED = {what: dict.fromkeys(Form, 0.3) for what in What}
NOT_THERE = -6.0


def head_of(
    *,
    presence: Mapping[What, float] | None = None,
    share: Mapping[What, tuple[float, float]] | None = None,
    form: Mapping[Form, float] | None = None,
    tarnish: tuple[float, float] = (0.1, -3.0),
    shine: float = 3.0,
    strangeness: float = 0.1,
    limit: float = 1.0,
    raw: RawAnswers | None = None,
) -> PieceModel:
    """Return a head of fixed answers; nothing is there but what is said to be.

    Args:
        presence: Log-odds of each thing.
        share: Log-odds of its mean share, and the logarithm of kappa.
        form: Logits; 0 for those left out.
        tarnish: Level and the logarithm of its uncertainty.
        shine: Log-odds.
        strangeness: Raw.
        limit: Raw strangeness at which a piece is as strange as familiar.
        raw: All of the answers, in place of the rest.
    """
    presence, share, form = presence or {}, share or {}, form or {}
    answers = raw or RawAnswers(
        presence=_row([presence.get(what, NOT_THERE) for what in What]),
        share=_row([share.get(what, (2.0, 5.0)) for what in ON_THE_PIECE]),
        form=_row([form.get(one, 0.0) for one in Form]),
        tarnish=_row(tarnish),
        shine=np.array([shine], np.float32),
        strangeness=np.array([strangeness], np.float32),
    )
    return PieceModel(
        head=lambda features, cover: answers,
        learned=LEARNED,
        learned_forms=dict.fromkeys(Form, 0.2),
        strangeness_limit=limit,
    )


def _row(values: object) -> Float32Array:
    return np.array([values], np.float32)
