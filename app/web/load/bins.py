"""Bins and weights: what lies where, moved, weighed, taken out, put in."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import streamlit as st

from app.load.bins import (
    Bin,
    Load,
    Piece,
    moved,
    weighed_bin,
    weighed_piece,
    with_bin,
    with_piece,
    without_bin,
    without_piece,
)
from app.load.pieces import STATED_U_REL, next_id, piece_of_record
from app.load.store import LoadStore
from app.load.terms import OTHER_LINES
from app.load.units import MassUnit, mass_from, number_from
from app.load.weights import WeightOrigin, of_normal, read_scale
from app.records.text import one_line
from app.web.load.parts import attempt, grade_titles, mass, thumb, title_of, weight_words
from app.web.plain import plain
from app.web.records.view import name_of, when
from app.web.store import records

MOST_RECORDS = 60
HIGHEST = Decimal(100_000)


def show(store: LoadStore, load: Load, unit: MassUnit) -> None:
    """Show the bins of a load and the ways to put things in."""
    if load.bins:
        st.metric("Everything together", mass(load.kg, unit))
    else:
        st.info("Nothing in it yet. Put saved pieces in, or a lot that you only weigh.")
    for b in load.bins:
        _bin(store, load, b, unit)
    st.subheader("Put in")
    _from_records(store, load)
    _lot(store, load, unit)
    _new_bin(store, load)


def _bin(store: LoadStore, load: Load, b: Bin, unit: MassUnit) -> None:
    with st.container(border=True):
        count = f"{len(b.pieces)} piece{'' if len(b.pieces) == 1 else 's'}"
        st.markdown(
            f"#### {plain(b.name)}\nsold as **{plain(title_of(b.grade))}** · {count} · "
            f"**{'empty' if b.is_empty else plain(weight_words(b.weight, unit))}**"
        )
        for piece in b.pieces:
            _piece(store, load, b, piece, unit)
        with st.container(horizontal=True):
            with st.popover("Weigh", icon=":material/scale:"):
                _weigh(store, load, b.name, unit, key=f"bin-{b.name}", piece=None)
            with st.popover("Change", icon=":material/edit:"):
                _change(store, load, b)


def _piece(store: LoadStore, load: Load, b: Bin, piece: Piece, unit: MassUnit) -> None:
    p = piece.p[piece.likely]
    doubt = "" if p >= 0.8 else "? "
    order = list(grade_titles())
    if b.grade in order and piece.likely in order and b.grade not in OTHER_LINES:
        step = order.index(piece.likely) - order.index(b.grade)
        doubt += "↓ below this bin: " if step > 0 else "↑ above this bin: " if step < 0 else ""
    with st.container(horizontal=True, vertical_alignment="center"):
        if piece.photo is not None:
            with st.container(width=104):
                thumb(piece)
        with st.container(width="stretch"):
            st.markdown(
                f"**{plain(piece.name or piece.id)}**  \n{doubt}{plain(title_of(piece.likely))}, "
                f"{min(99, round(100 * p))} % · {plain(weight_words(piece.weight, unit))}"
            )
        with st.popover("", icon=":material/more_horiz:", help=f"Move or weigh {piece.id}"):
            others = [one.name for one in load.bins if one.name != b.name]
            if others:
                to = st.selectbox("Into bin", others, key=f"to-{piece.id}")
                if st.button("Move", key=f"move-{piece.id}"):
                    attempt(lambda: store.edit(load.name, lambda now: moved(now, piece.id, to)))
            _weigh(store, load, piece.id, unit, key=f"piece-{piece.id}", piece=piece)
            if st.button("Take out", key=f"out-{piece.id}", icon=":material/remove:"):
                attempt(lambda: store.edit(load.name, lambda now: without_piece(now, piece.id)[0]))


def _weigh(
    store: LoadStore, load: Load, what: str, unit: MassUnit, *, key: str, piece: Piece | None
) -> None:
    with st.form(f"weigh-{key}", border=False):
        gross = st.text_input(f"On the scale, {unit}", key=f"gross-{key}", max_chars=12)
        tare = st.text_input(f"Empty container, {unit}", value="0", key=f"tare-{key}", max_chars=12)
        if st.form_submit_button("Keep this weight", type="primary"):

            def keep() -> None:
                weight = read_scale(
                    number_from(gross, what="on the scale", high=HIGHEST),
                    unit=unit,
                    tare=number_from(tare, what="empty container", high=HIGHEST),
                )
                if piece is None:
                    store.edit(load.name, lambda now: weighed_bin(now, what, weight))
                else:
                    store.edit(load.name, lambda now: weighed_piece(now, what, weight))

            attempt(keep)


def _change(store: LoadStore, load: Load, b: Bin) -> None:
    titles = grade_titles()
    known = list(titles) if b.grade in titles else [b.grade, *titles]
    grade = st.selectbox(
        "Sold as", known, index=known.index(b.grade), format_func=title_of, key=f"as-{b.name}"
    )
    if st.button("Keep", key=f"keep-{b.name}", type="primary"):

        def relabelled(now: Load) -> Load:
            bins = (replace(one, grade=grade) if one.name == b.name else one for one in now.bins)
            return replace(now, bins=tuple(bins))

        attempt(lambda: store.edit(load.name, relabelled))
    if b.weighed is not None and st.button("Forget its weight", key=f"forget-{b.name}"):
        attempt(lambda: store.edit(load.name, lambda now: weighed_bin(now, b.name, None)))
    if st.button("Take the whole bin out", key=f"gone-{b.name}", icon=":material/delete:"):
        attempt(lambda: store.edit(load.name, lambda now: without_bin(now, b.name)))


def _from_records(store: LoadStore, load: Load) -> None:
    with st.expander("Saved pieces", icon=":material/inventory_2:"):
        inside = {piece.record for piece in load.pieces}
        found = [r for r in records().pieces(limit=MOST_RECORDS) if r.id not in inside]
        if not found:
            st.caption("None is left. Grade a piece and save it; it can then be put in here.")
            return
        names = {r.id: f"{name_of(r)}, {when(r)}" for r in found}
        chosen = st.multiselect(
            "Which", list(names), format_func=names.__getitem__, key=f"take-{len(found)}"
        )
        if st.button("Put in, each into the bin that fits", disabled=not chosen, type="primary"):
            picked = [record for record in found if record.id in chosen]

            def change(now: Load) -> Load:
                for record in picked:
                    piece = piece_of_record(record, taken=now.taken)
                    now = _put(now, piece, None)
                return now

            attempt(lambda: store.edit(load.name, change))


def _lot(store: LoadStore, load: Load, unit: MassUnit) -> None:
    with st.expander("A lot that is only weighed", icon=":material/package_2:"), st.form("lot"):
        name = st.text_input("What is it?", max_chars=80)
        titles = grade_titles()
        grade = st.selectbox("Grade, as you say", list(titles), format_func=title_of)
        text = st.text_input(f"Weight, {unit}", max_chars=14)
        if st.form_submit_button("Put in", type="primary"):

            def keep() -> None:
                kg = mass_from(text, unit=unit)
                weight = of_normal(kg, STATED_U_REL * float(kg), WeightOrigin.SCALE, "stated")

                def change(now: Load) -> Load:
                    new = next_id(now.taken)
                    piece = Piece(id=new, name=one_line(name) or new, p={grade: 1.0}, weight=weight)
                    return _put(now, piece, None)

                store.edit(load.name, change)

            attempt(keep)


def _new_bin(store: LoadStore, load: Load) -> None:
    with st.expander("A new bin", icon=":material/add_box:"), st.form("new-bin"):
        name = st.text_input("What stands on it?", max_chars=60)
        titles = grade_titles()
        grade = st.selectbox("Sold as", list(titles), format_func=title_of)
        if st.form_submit_button("Make it", type="primary"):
            made = Bin(name=" ".join(name.split()) or title_of(grade), grade=grade)
            attempt(lambda: store.edit(load.name, lambda now: with_bin(now, made)))


def _put(load: Load, piece: Piece, bin_name: str | None) -> Load:
    """Put a piece into the bin of its grade, made where there is none."""
    fitting = [b.name for b in load.bins if b.grade == piece.likely]
    name = bin_name or (fitting[0] if fitting else title_of(piece.likely))
    if all(b.name != name for b in load.bins):
        load = with_bin(load, Bin(name=name, grade=piece.likely))
    return with_piece(load, name, piece)
