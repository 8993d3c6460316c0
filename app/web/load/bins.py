"""Bins and weights: what lies where, moved, weighed, taken out, put in."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial

import streamlit as st

from app.load.bins import (
    Bin,
    Load,
    Piece,
    moved,
    told_weights,
    weighed_bin,
    weighed_piece,
    with_bin,
    without_bin,
    without_piece,
)
from app.load.pieces import STATED_U_REL, next_id, piece_of_record
from app.load.report import how_sure
from app.load.sorting import TRAY, checks_of, put_in, sold_as
from app.load.store import LoadStore
from app.load.terms import OTHER_LINES, grade_titles, title_of
from app.load.units import MassUnit, mass_from, number_from, told_together
from app.load.weights import Weight, WeightOrigin, of_normal, read_scale
from app.records.text import one_line
from app.web.load.parts import thumb, weight_words
from app.web.plain import plain
from app.web.pressing import press, submit, typed
from app.web.records.view import name_of, when
from app.web.store import records
from rules.sentences import sentence, with_units_kept

MOST_RECORDS = 60
HIGHEST = Decimal(100_000)


def show(store: LoadStore, load: Load, unit: MassUnit) -> None:
    """Show the bins of a load and the ways to put things in."""
    if load.bins:
        _together(load, unit)
    else:
        st.info("Nothing in it yet. Put saved pieces in, or a lot that you only weigh.")
    _checks(load)
    for b in load.bins:
        _bin(store, load, b, unit)
    st.subheader("Put in")
    _from_records(store, load)
    _lot(store, load, unit)
    _new_bin(store, load)


def _together(load: Load, unit: MassUnit) -> None:
    """Show what all weighs that has a weight, and how many pieces have none yet."""
    lacking = sum(len(b.unweighed) for b in load.bins if b.weighed is None)
    about = "about " if load.is_estimated else ""
    known = f"{about}{told_together((b.kg for b in load.bins), unit):f} {unit}"
    st.metric("Everything together", known if load.kg else "no weight yet")
    if lacking and load.kg:
        which = "1 piece that has" if lacking == 1 else f"{lacking} pieces that have"
        st.caption(f"Without {which} no weight yet.")


def _checks(load: Load) -> None:
    """Say what the pieces in the tray wait for, one check after the other."""
    waiting = checks_of(load)
    if not waiting:
        return
    count = sum(len(pieces) for _, pieces in waiting)
    with st.container(border=True):
        st.markdown(f"**? {count} of {len(load.pieces)} need a check**")
        for check, pieces in waiting:
            st.markdown(plain(sentence(check)))
            with st.container(horizontal=True):
                for piece in pieces:
                    with st.container(width=84):
                        thumb(piece, width=72)
                        st.caption(plain(piece.name or piece.id))
        st.caption("Then move each into its bin.")


def _bin(store: LoadStore, load: Load, b: Bin, unit: MassUnit) -> None:
    with st.container(border=True):
        count = f"{len(b.pieces)} piece{'' if len(b.pieces) == 1 else 's'}"
        st.markdown(
            f"#### {plain(b.name)}\n{_sold_as(b)} · {count} · "
            f"**{'empty' if b.is_empty else plain(weight_words(b.weight, unit))}**"
        )
        weights = told_weights(b)
        for piece in b.pieces:
            _piece(store, load, b, piece, weights.get(piece.id), unit)
        with st.container(horizontal=True):
            with st.popover("Weigh", icon=":material/scale:"):
                _weigh(store, load, b.name, unit, key=f"bin-{b.name}", piece=None)
            with st.popover("Change", icon=":material/edit:"):
                _change(store, load, b)


def _sold_as(b: Bin) -> str:
    return "not sorted yet" if b.grade == TRAY else f"sold as **{plain(title_of(b.grade))}**"


def _piece(
    store: LoadStore, load: Load, b: Bin, piece: Piece, weight: Weight | None, unit: MassUnit
) -> None:
    p = piece.p[piece.likely]
    is_unsure = piece.settle is not None or p < 0.8
    doubt = "? " if is_unsure else ""
    order = list(grade_titles())
    if b.grade in order and piece.likely in order and b.grade not in OTHER_LINES:
        step = order.index(piece.likely) - order.index(b.grade)
        doubt += "↓ below this bin: " if step > 0 else "↑ above this bin: " if step < 0 else ""
    row = f"row-{piece.id}"
    with st.container(horizontal=True, vertical_alignment="center", key=row):
        if piece.photo is not None:
            with st.container(width=80):
                thumb(piece, width=80)
        with st.container(width="stretch"):
            st.markdown(
                f"**{plain(piece.name or piece.id)}** · {piece.id}  \n"
                f"{doubt}{plain(with_units_kept(_likely_words(piece)))} · "
                f"{plain(with_units_kept(weight_words(weight, unit)))}"
            )
        with st.popover("", icon=":material/more_horiz:", help=f"Move or weigh {piece.id}"):
            others = [one.name for one in load.bins if one.name != b.name]
            if others:
                to = f"to-{piece.id}"
                st.selectbox("Into bin", others, key=to)
                press(
                    "Move",
                    lambda: store.edit(load.name, lambda now: moved(now, piece.id, typed(to))),
                    key=f"move-{piece.id}",
                )
            _weigh(store, load, piece.id, unit, key=f"piece-{piece.id}", piece=piece)
            press(
                "Take out",
                lambda: store.edit(load.name, lambda now: without_piece(now, piece.id)[0]),
                key=f"out-{piece.id}",
                icon=":material/remove:",
            )


def _likely_words(piece: Piece) -> str:
    """Return the likeliest grade, or the line that buys it, and how likely that is.

    Of what waits for a check the page of its photo has the figures.
    """
    sold = sold_as(piece)
    title = title_of(sold)
    if piece.settle is not None:
        return f"most likely {title}"
    if piece.line is not None and sold == piece.likely:
        title = f"{title}: {piece.line}"
    return f"{title}, {how_sure(piece)}"


def _weigh(
    store: LoadStore, load: Load, what: str, unit: MassUnit, *, key: str, piece: Piece | None
) -> None:
    with st.form(f"weigh-{key}", border=False):
        gross, tare = f"gross-{key}", f"tare-{key}"
        st.text_input(f"On the scale, {unit}", key=gross, max_chars=12)
        st.text_input(f"Empty container, {unit}", value="0", key=tare, max_chars=12)

        def keep() -> None:
            weight = read_scale(
                number_from(typed(gross), what="on the scale", high=HIGHEST),
                unit=unit,
                tare=number_from(typed(tare), what="empty container", high=HIGHEST),
            )
            weighed = weighed_bin if piece is None else weighed_piece
            store.edit(load.name, lambda now: weighed(now, what, weight))

        submit("Keep this weight", keep, key=f"keep-weight-{key}", type="primary")


def _change(store: LoadStore, load: Load, b: Bin) -> None:
    titles = grade_titles()
    known = list(titles) if b.grade in titles else [b.grade, *titles]
    sold_as = f"as-{b.name}"
    st.selectbox("Sold as", known, index=known.index(b.grade), format_func=title_of, key=sold_as)

    def relabelled(now: Load) -> Load:
        grade = typed(sold_as)
        bins = (replace(one, grade=grade) if one.name == b.name else one for one in now.bins)
        return replace(now, bins=tuple(bins))

    keep = partial(store.edit, load.name, relabelled)
    press("Keep", keep, key=f"keep-{b.name}", type="primary")
    if b.weighed is not None:
        forget = partial(store.edit, load.name, lambda now: weighed_bin(now, b.name, None))
        press("Forget its weight", forget, key=f"forget-{b.name}")
    out = partial(store.edit, load.name, lambda now: without_bin(now, b.name))
    press("Take the whole bin out", out, key=f"gone-{b.name}", icon=":material/delete:")


def _from_records(store: LoadStore, load: Load) -> None:
    with st.expander("Saved pieces", key="saved-open", icon=":material/inventory_2:"):
        inside = {piece.record for piece in load.pieces}
        found = [r for r in records().pieces(limit=MOST_RECORDS) if r.id not in inside]
        if not found:
            st.caption("None is left. Grade a piece and save it; it can then be put in here.")
            return
        names = {r.id: f"{name_of(r)}, {when(r)}" for r in found}
        take = f"take-{len(found)}"
        chosen = st.multiselect("Which", list(names), format_func=names.__getitem__, key=take)

        def change(now: Load) -> Load:
            inside = {piece.record for piece in now.pieces}
            for record in found:
                if record.id in typed(take) and record.id not in inside:
                    piece = piece_of_record(record, taken=now.taken)
                    now = put_in(now, piece, called=title_of)
            return now

        press(
            "Put in, each into the bin that fits",
            partial(store.edit, load.name, change),
            key="put-in",
            disabled=not chosen,
            type="primary",
        )


def _lot(store: LoadStore, load: Load, unit: MassUnit) -> None:
    count = len(load.pieces)  # in the keys: the form is empty again once its lot is in
    name, grade, text = f"lot-name-{count}", f"lot-grade-{count}", f"lot-weight-{count}"

    def keep() -> None:
        kg = mass_from(typed(text), unit=unit)
        weight = of_normal(kg, STATED_U_REL * float(kg), WeightOrigin.SCALE, "stated")

        def change(now: Load) -> Load:
            new = next_id(now.taken)
            called = one_line(typed(name)) or new
            piece = Piece(id=new, name=called, p={typed(grade): 1.0}, weight=weight)
            return put_in(now, piece, called=title_of)

        store.edit(load.name, change)

    with (
        st.expander("A lot that is only weighed", key="lot-open", icon=":material/package_2:"),
        st.form("lot"),
    ):
        st.text_input("What is it?", max_chars=80, key=name)
        st.selectbox("Grade, as you say", list(grade_titles()), format_func=title_of, key=grade)
        st.text_input(f"Weight, {unit}", max_chars=14, key=text)
        submit("Put in", keep, key="keep-lot", type="primary")


def _new_bin(store: LoadStore, load: Load) -> None:
    count = len(load.bins)
    name, grade = f"bin-name-{count}", f"bin-grade-{count}"

    def make() -> None:
        called = " ".join(typed(name).split()) or title_of(typed(grade))
        made = Bin(name=called, grade=typed(grade))
        store.edit(load.name, lambda now: with_bin(now, made))

    with (
        st.expander("A new bin", key="bin-open", icon=":material/add_box:"),
        st.form("new-bin"),
    ):
        st.text_input("What stands on it?", max_chars=60, key=name)
        st.selectbox("Sold as", list(grade_titles()), format_func=title_of, key=grade)
        submit("Make it", make, key="make-bin", type="primary")
