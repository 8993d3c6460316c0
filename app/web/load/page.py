"""The page of the load: bins and weights, the plan, buyers and prices, tickets."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app.load.demo import LOAD as DEMO_LOAD
from app.load.demo import add_demo, remove_demo
from app.load.store import DEFAULT_LOAD, LoadStore
from app.load.units import MassUnit
from app.web.desk.state import LOAD_KEY, Visit, visit
from app.web.load import bins as load_bins
from app.web.load import buyers as load_buyers
from app.web.load import plan as load_plan
from app.web.load import tickets as load_tickets
from app.web.load.parts import today
from app.web.pressing import press, words_of
from app.web.store import records
from rules.errors import CuproscopeError

UNIT_KEY = "load-unit"
PARTS = ("Bins", "Plan", "Buyers", "Tickets")


def show() -> None:
    """Show the page."""
    here = visit()
    st.title("The load")
    try:
        _show(LoadStore(records()), here)
    except CuproscopeError as fault:
        st.error(words_of(fault), icon=":material/error:")


def _show(store: LoadStore, here: Visit) -> None:
    names = store.names()
    if not names and not store.buyers():
        _welcome(store, here)
        return
    name, unit = _head(store, names, here)
    part = st.segmented_control(
        "Look at", PARTS, default=PARTS[0], required=True, key="load-part", persist_state="session"
    )
    load = store.load(name)
    if part == "Plan":
        load_plan.show(store, load, unit)
    elif part == "Buyers":
        load_buyers.show(store, unit)
    elif part == "Tickets":
        load_tickets.show(store, load, unit)
    else:
        load_bins.show(store, load, unit)
    _demo_foot(store, names, here)


def _welcome(store: LoadStore, here: Visit) -> None:
    st.markdown(
        "Sort what you have into bins, weigh them, write down what each buyer pays. Then see "
        "what each should pay for the load, which pieces put a bin at risk, and which are "
        "worth a minute of cutting or cleaning."
    )
    with st.container(horizontal=True):
        begin = partial(store.edit, DEFAULT_LOAD, lambda load: load)
        press("Begin my load", begin, key="begin", type="primary", icon=":material/add:")
        invented, icon = partial(_invented, store, here), ":material/visibility:"
        press("Look at an invented load", invented, key="invented", icon=icon)


def _invented(store: LoadStore, here: Visit) -> None:
    add_demo(store, today=today())
    here.seen[LOAD_KEY] = DEMO_LOAD


def _remove_invented(store: LoadStore, here: Visit) -> None:
    remove_demo(store)
    here.seen.pop(LOAD_KEY, None)


def _head(store: LoadStore, names: tuple[str, ...], here: Visit) -> tuple[str, MassUnit]:
    known = names or (DEFAULT_LOAD,)
    chosen = here.seen.get(LOAD_KEY)
    which, unit_side = st.columns([3, 1])
    with which:
        name = st.selectbox(
            "Load",
            known,
            index=known.index(chosen) if chosen in known else len(known) - 1,
            accept_new_options=True,
            key=f"load-{len(known)}-{chosen}",
            help="Type a new name to begin another one.",
        )
    with unit_side:
        unit = st.pills(
            "Weights in", ["lb", "kg"], default="lb", required=True, key=UNIT_KEY,
            persist_state="session",
        )  # fmt: skip
    if name not in known:
        store.edit(name, lambda load: load)
    here.seen[LOAD_KEY] = name
    return name, MassUnit(unit)


def _demo_foot(store: LoadStore, names: tuple[str, ...], here: Visit) -> None:
    st.divider()
    if DEMO_LOAD in names:
        st.caption("The load, the yards and the prices marked (demo) are invented.")
        out, icon = partial(_remove_invented, store, here), ":material/delete:"
        press("Take the invented load out", out, key="invented-out", icon=icon)
    else:
        invented = partial(_invented, store, here)
        press("Look at an invented load", invented, key="invented-too", type="tertiary")
