"""What the parts of the load's page share."""

from __future__ import annotations

from datetime import date

import altair as alt
import streamlit as st

from app.load.bins import Piece
from app.load.report import estimate_figures
from app.load.units import MassUnit, mass_words
from app.load.weights import Weight
from app.web.picture import show_picture
from app.web.thumbs import small_photo

CHART_PX = 420
"""How high a chart is with the legend below it."""


def legend_below(columns: int) -> alt.Legend:
    """Return the legend of a chart: beside it a phone leaves the lines no room."""
    return alt.Legend(orient="bottom", columns=columns)


def today() -> date:
    """Return the person's own day."""
    return date.today()


def weight_words(weight: Weight | None, unit: MassUnit) -> str:
    """Return a weight with where it is from; an estimate always with its interval."""
    if weight is None:
        return "no weight yet"
    if not weight.is_estimated:
        return mass_words(weight.kg, unit)
    told, low, high = estimate_figures(weight, unit)
    return f"about {told} {unit} ({low} to {high}), estimated"


def thumb(piece: Piece, *, width: int = 96) -> None:
    """Show a piece, cut out of its photo, where that is still there."""
    if piece.photo is None:
        return
    data = small_photo(piece.photo, piece.record)
    if data is None:
        st.caption("photo lost")
    else:
        show_picture(data, alt=f"Photo of {piece.name}", width=width)
