"""What is on the piece, and is it copper at all? The head's answer for a piece as a whole.

Beside its dense maps the surface network gives features; a second, small network
(``models/piece.onnx``) pools them under each piece and tells what is there and how much of
it, which form the piece has, how tarnished its bare metal is and how strange it looks.
Both were trained by proper scores, on a mix made for learning; which mix is told along
(``learned``), so that :mod:`rules.base_rates` can put the bench's in its place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from math import exp, sqrt
from typing import Any

import numpy as np

from models.loader import broken, session
from rules.errors import ContractError
from rules.findings import ON_THE_PIECE, Form, FormFinding, Measurement, Presence, What
from vision.types import Float32Array

FILE = "surface.toml"
OUTPUTS = ("presence", "share", "form", "tarnish", "shine", "strangeness")
"""Outputs of the file, in the order of the fields of :class:`RawAnswers`."""

CALIBRATION = ("strangeness_limit", "u_tarnish_scale", "kappa_scale")

SURE_LOGIT = 9.0
"""No presence is told surer than these log-odds (one in eight thousand): the calibration
photos can't bear out more."""

SELDOM = 0.01
"""A form that had a thing less often than this in the training, or lacked it so seldom, taught
nothing of it: the rate over all forms stands in."""

BLIND_RATE = 0.1
"""Any rate does; from this one nearly all of the bench's are within reach (``MOST_SHIFT`` of
:mod:`rules.base_rates`)."""

SURE_FORM = 1e-4
"""Nor is a form told less likely than this."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawAnswers:
    """What the head returns for n pieces of one view.

    Attributes:
        presence: ``(n, len(What))`` log-odds, in the order of ``What``.
        share: ``(n, len(ON_THE_PIECE), 2)``: log-odds of the mean share of the visible area
            if it is there, and the logarithm of kappa, of Beta(mean kappa, (1 - mean) kappa).
        form: ``(n, len(Form))`` logits.
        tarnish: ``(n, 2)`` level 0 to 1 of the bare metal, logarithm of its uncertainty.
        shine: ``(n,)`` log-odds of the share of the bare metal that shines.
        strangeness: ``(n,)`` at least 0, more the less like what was trained on.
    """

    presence: Float32Array
    share: Float32Array
    form: Float32Array
    tarnish: Float32Array
    shine: Float32Array
    strangeness: Float32Array


Head = Callable[[Float32Array, Float32Array], RawAnswers]
"""Features ``(c, h, w)`` and covers ``(n, h, w)`` to the answers for n pieces."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceModel:
    """The head and what was calibrated for it.

    Attributes:
        head: An ONNX session in use, any function in tests.
        learned: How often each thing was there in the training, for each form.
        learned_forms: Share of each form in the training.
        strangeness_limit: Raw strangeness at which a piece is as strange as familiar.
        u_tarnish_scale: What the told uncertainty of the tarnish level is multiplied by, so
            that it is the one that real errors had.
        kappa_scale: The same for kappa, the sureness of a share.
    """

    head: Head
    learned: Mapping[What, Mapping[Form, float]]
    learned_forms: Mapping[Form, float]
    strangeness_limit: float = 1.0
    u_tarnish_scale: float = 1.0
    kappa_scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceTold:
    """What the head tells of one piece.

    Attributes:
        seen: Presence and share of each thing, told for the training's mix.
        form: Probability of each form, told for the training's mix.
        tarnish: Level of the bare metal.
        shine: Share of the bare metal that shines.
        u_shine: Its standard uncertainty: as if all or nothing of it shone, which is what
            most pieces do. The errors on the calibration photos were 0.8 (hard) and 1.5
            times that (as advised).
        familiarity: 0 to 1; one half at the limit, below which nothing may be decided.
    """

    seen: Mapping[What, Presence]
    form: FormFinding
    tarnish: Measurement
    shine: float
    u_shine: float
    familiarity: float


def tell_piece(model: PieceModel, features: Float32Array, cover: Float32Array) -> PieceTold:
    """Return what the head tells of one piece.

    Args:
        model: The head.
        features: ``(c, h, w)`` of the view, from the surface network.
        cover: ``(h, w)`` how much of each cell the piece covers, 0 to 1.

    Raises:
        ContractError: The piece covers no cell.
    """
    if not cover.any():
        raise ContractError("the piece lies outside of the map", where="cover")
    rows, columns = (np.flatnonzero(cover.any(axis=axis)) for axis in (1, 0))
    # Cells without the piece count nothing, and cost as much memory as those with it.
    own = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    raw = model.head(
        np.ascontiguousarray(features[:, *own]), np.ascontiguousarray(cover[None, *own])
    )
    level = float(np.clip(raw.tarnish[0, 0], 0.0, 1.0))
    u = model.u_tarnish_scale * exp(float(raw.tarnish[0, 1]))
    shine = _p(raw.shine[0])
    strange = float(raw.strangeness[0]) / model.strangeness_limit
    return PieceTold(
        seen={what: _presence(model, raw, index, what) for index, what in enumerate(What)},
        form=_form(model, raw.form[0]),
        tarnish=Measurement.between_0_and_1(level, u),
        shine=shine,
        u_shine=sqrt(shine * (1 - shine)),
        familiarity=float(0.5 ** (strange * strange)),
    )


def _presence(model: PieceModel, raw: RawAnswers, index: int, what: What) -> Presence:
    p = _p(np.clip(raw.presence[0, index], -SURE_LOGIT, SURE_LOGIT))
    if what not in ON_THE_PIECE:
        return Presence(p=p, share=1.0, u_share=0.0, learned=model.learned[what])
    mean = _p(raw.share[0, index, 0])
    # Variance of a Beta distribution of mean m and sum kappa: m (1 - m) / (kappa + 1).
    kappa = model.kappa_scale * exp(float(raw.share[0, index, 1]))
    u = sqrt(mean * (1 - mean) / (kappa + 1))
    return Presence(p=p, share=mean, u_share=u, learned=model.learned[what])


def _form(model: PieceModel, logits: Float32Array) -> FormFinding:
    raised = np.maximum(np.exp(logits - logits.max()), SURE_FORM).astype(np.float64)
    p = raised / raised.sum()
    return FormFinding(p=dict(zip(Form, map(float, p), strict=True)), learned=model.learned_forms)


def _p(logit: float | np.floating[Any]) -> float:
    return 1.0 / (1.0 + exp(-float(np.clip(logit, -50.0, 50.0))))


def unseen() -> Mapping[What, Presence]:
    """Return what may be on a piece of which nothing can be seen: what its form makes likely.

    A probability that is no more than the rate it was learned with is no evidence: the base
    rate that is put in comes out again. Of the share nothing is known.
    """
    rates = dict.fromkeys(Form, BLIND_RATE)
    return {
        what: Presence(p=BLIND_RATE, share=0.5, u_share=12**-0.5, learned=rates) for what in What
    }


def read_piece_model(told: Mapping[str, Any], *, folder: Traversable | None = None) -> PieceModel:
    """Return the head that a description of the surface network names.

    Args:
        told: ``surface.toml``.
        folder: Where the file lies; None for those that ship.

    Raises:
        InstallError: A file is missing or damaged, or the description lacks something.
    """
    try:
        piece, rates, calibration = (
            told[name] for name in ("piece", "learned_rates", "piece_calibration")
        )
        forms = {form: _rate(rates["form"][form]) for form in Form}
        learned = {
            what: _learned({form: _rate(rates[form][what]) for form in Form}, forms)
            for what in What
        }
        fitted = {name: _positive(calibration[name]) for name in CALIBRATION}
    except (KeyError, TypeError, ValueError) as fault:
        broken(FILE, f"does not say all of the head for the piece ({fault})")
    return PieceModel(
        head=_head(piece, folder),
        learned=learned,
        learned_forms=forms,
        **fitted,
    )


def _head(piece: Mapping[str, Any], folder: Traversable | None) -> Head:
    run = session(piece, folder=folder)

    def head(features: Float32Array, cover: Float32Array) -> RawAnswers:
        given = {"features": features[None], "cover": cover}
        return RawAnswers(**dict(zip(OUTPUTS, run.run(list(OUTPUTS), given), strict=True)))

    return head


def _learned(rates: Mapping[Form, float], forms: Mapping[Form, float]) -> Mapping[Form, float]:
    """Return the rate of each form, that of all forms where a form taught none."""
    whole = sum(forms[form] * rates[form] for form in Form) / sum(forms.values())
    whole = min(max(whole, SELDOM), 1 - SELDOM)
    return {f: rate if SELDOM <= rate <= 1 - SELDOM else whole for f, rate in rates.items()}


def _rate(value: object) -> float:
    rate = _positive(value)
    if rate >= 1:
        raise ValueError(f"a base rate of {rate}")
    return rate


def _positive(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e9:
        raise ValueError(f"{value!r} is no positive number")
    return float(value)
