"""Does a named coin ever lie? Coins on one table as each other's rulers.

    python -m bench.coins DIR [--out FILE.json]
    python -m bench.coins --rows FILE.json

``DIR`` holds photos that ``bench/coins_truth.toml`` names, or fixtures/real/coins the copies
cut out of them. Each coin is taken as the only one, where the truth says it lies on the whole
photo and, if it lies apart, cut out and looked at by the network; once by its right name and
once by each other of its currency. What its scale should be tell all the others, by a plane
through theirs. They share lens, light and method, so what all have in common does not show.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import pi
from pathlib import Path
from typing import Any

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import numpy as np

from rules.errors import PhotoError
from vision.finish.surface import load_surface_model, surface_map
from vision.photo.loading import load_photo_file
from vision.reference.coin.coins import detect_coins, scale_from_coin
from vision.reference.coin.kinds import COIN_KEYS, coin, coins_of
from vision.reference.places import Place, reference_places
from vision.types import FloatArray, Photo

TRUTH = Path(__file__).with_name("coins_truth.toml")
PLACED, CUT_OUT, AMONG = "by its place", "cut out", "among all the others"
OTHER_COLOUR, SAME_COLOUR = "another colour", "the same colour, another size"
FAR_OFF = 0.04
ROOM = 1.3  # least half side of a coin cut out, in its radii
U_SLOPE_PER_KPX = 0.03
"""How much scales differ over 1000 px, as a standard deviation: with five coins no plane can be
trusted alone. The nine photos give 0.01 to 0.04."""

Row = dict[str, Any]


def main(argv: Sequence[str] | None = None) -> int:
    """Print what the coins of a folder tell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--out", type=Path, help="write the rows to this file")
    parser.add_argument("--rows", type=Path, help="print the table of rows written before")
    options = parser.parse_args(argv)
    if options.rows:
        rows = json.loads(options.rows.read_text(encoding="utf-8"))
    else:
        rows = [row for path, coins in labelled(options.folder) for row in asked(path, coins)]
    if options.out:
        options.out.write_text(json.dumps(rows), encoding="utf-8")
    print(table_of(rows))
    return 0


def labelled(folder: Path) -> Iterator[tuple[Path, list[tuple[str, float, float]]]]:
    """Yield each photo in a folder with its coins: key and middle, photo pixels."""
    for photo in tomllib.loads(TRUTH.read_text(encoding="utf-8"))["photo"]:
        for name, (left, top) in (
            (photo["file"], (0, 0)),
            (photo.get("copy"), photo.get("crop_px", (0, 0))),
        ):
            if name and (folder / name).exists():
                at = [(key, *xy) for key in COIN_KEYS for xy in photo.get(key, ())]
                yield folder / name, [(key, x - left, y - top) for key, x, y in at]


def asked(path: Path, coins: Sequence[tuple[str, float, float]]) -> list[Row]:
    """Name every coin of a photo in turn, rightly and wrongly; one row a view and name."""
    photo = load_photo_file(path)
    seen = reference_places(surface_map(photo, model=load_surface_model()))
    at = np.array([[x, y] for _, x, y in coins])
    kin = [one.key for one in coins_of(coin(coins[0][0]))]
    rows = [_among(photo, seen, path.name, coins, named) for named in kin]
    px_per_mm = _px_per_mm(photo, seen, coins)
    if not np.isfinite(px_per_mm):
        return rows  # the network sees none of them: how large they are is not known
    radii = np.array([coin(key).diameter_mm for key, _, _ in coins]) * px_per_mm / 2
    for number, (true, _, _) in enumerate(coins):
        for view in (_placed(photo, at, radii, number), _cut_out(photo, at, radii, number)):
            if view is None:
                continue
            for named in [true, *(key for key in kin if key != true)]:
                told = {"photo": path.name, "coin": number, "true": true, "named": named}
                rows.append(told | {"view": view.name} | _answer(view, named))
    _judge(rows, focal_px=photo.focal_px or 0.6 * max(photo.width_px, photo.height_px))
    return rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """One coin, alone: on the whole photo by its place, or cut out."""

    name: str
    photo: Photo
    places: tuple[Place, ...]
    corner_px: tuple[int, int] = (0, 0)


def _placed(photo: Photo, at: FloatArray, radii: FloatArray, number: int) -> View:
    """The whole photo, with the patch that a network without fault shows for the coin."""
    (x, y), r = (float(v) for v in at[number]), float(radii[number])
    box = (x - r, y - r, 2 * r, 2 * r)
    place = Place(box_px=box, centre_px=(x, y), area_px=pi * r**2)
    return View(name=PLACED, photo=photo, places=(place,))


def _cut_out(photo: Photo, at: FloatArray, radii: FloatArray, number: int) -> View | None:
    """The largest square about a coin that holds no bit of another, None where too narrow."""
    away = np.abs(at - at[number]).max(axis=1) - 1.03 * radii
    frame = [*at[number], photo.width_px - at[number][0], photo.height_px - at[number][1]]
    half = int(min(*np.delete(away, number), *frame))
    if half < ROOM * radii[number]:
        return None
    left, top = (int(v) - half for v in at[number])
    cut = Photo(
        name=photo.name,
        sha256="",
        rgb=np.ascontiguousarray(photo.rgb[top : top + 2 * half, left : left + 2 * half]),
    )
    places = reference_places(surface_map(cut, model=load_surface_model()))
    return View(name=CUT_OUT, photo=cut, places=places, corner_px=(left, top))


def _answer(view: View, named: str) -> Row:
    try:
        scale = scale_from_coin(view.photo, named, places=view.places)
    except PhotoError as fault:
        return {"refused": fault.code, "why": fault.message}
    middle = np.linalg.inv(scale.mm_from_px)[:, 2]  # mm are counted from the coin's middle
    x, y = middle[:2] / middle[2] + view.corner_px
    return {
        "refused": None,
        "at": [float(x), float(y)],
        "mm_per_px": scale.mm_per_px,
        "face_mm": scale.face_height_mm,
        "u_rel": scale.u_rel,
    }


def _among(
    photo: Photo,
    places: tuple[Place, ...],
    name: str,
    coins: Sequence[tuple[str, float, float]],
    named: str,
) -> Row:
    """Name a coin on the whole photo, whether it lies there or not."""
    answer = _answer(View(name=AMONG, photo=photo, places=places), named)
    keys = [key for key, _, _ in coins]
    row = {"photo": name, "coin": -1, "true": named if named in keys else "", "named": named}
    return row | {"view": AMONG} | answer


def _px_per_mm(
    photo: Photo, places: Sequence[Place], coins: Sequence[tuple[str, float, float]]
) -> float:
    """By the median of all discs on the photo, NaN where none is found."""
    at = np.array([[x, y] for _, x, y in coins])
    sizes = []
    for one in detect_coins(photo, places=places):
        away = np.hypot(*(at - one.ellipse.centre_px).T)
        if away.min() < 0.3 * one.ellipse.major_px:
            sizes.append(one.ellipse.major_px / coin(coins[int(away.argmin())][0]).diameter_mm)
    return float(np.median(sizes)) if sizes else float("nan")


def _judge(rows: Sequence[Row], *, focal_px: float) -> None:
    """Add to every scale told by how much it is off from what the other coins tell."""
    told = [row for row in rows if row["refused"] is None]
    for row in told:  # a nearer face has smaller pixels
        row["log"] = float(np.log(row["mm_per_px"] + row["face_mm"] / focal_px))
    rulers = [row for row in told if row["named"] == row["true"] and row["view"] == PLACED]
    at = np.array([row["at"] for row in rulers])
    logs = np.array([row["log"] for row in rulers])
    number = np.array([row["coin"] for row in rulers])
    for row in told:
        others = number != row["coin"]
        row["off"] = row["log"] - plane_of(at[others], logs[others], about=np.array(row["at"]))


def plane_of(at: FloatArray, logs: FloatArray, *, about: FloatArray) -> float:
    """Value at a point of the plane with least absolute deviations.

    Args:
        at: ``(n, 2)`` pixels.
        logs: ``(n,)`` values there.
        about: ``(2,)`` where the plane is read.
    """
    basis = np.column_stack([np.ones(len(at)), (at - about) / 1000])
    ridge = np.diag([0, 1, 1]) * (0.01 / U_SLOPE_PER_KPX) ** 2
    weight = np.ones(len(logs))
    for _ in range(40):
        normal = basis.T @ (weight[:, None] * basis)
        fit = np.linalg.solve(normal + ridge, basis.T @ (weight * logs))
        weight = 0.01 / (np.abs(logs - basis @ fit) + 1e-3)
    return float(fit[0])


def table_of(rows: Sequence[Row]) -> str:
    """Rightly named coins by photo, view and kind, the wrong names, and the worst."""
    right = [row for row in rows if row["named"] == row["true"]]
    groups = {
        **{name: [r for r in right if r["photo"] == name] for name in _names(right, "photo")},
        **{key: [r for r in right if r["true"] == key] for key in COIN_KEYS},
        **{view: [r for r in right if r["view"] == view] for view in (PLACED, CUT_OUT, AMONG)},
    }
    lines = [
        "| coin rightly named | n | refused | off, median | off, 90 % | over 4 % off | claimed "
        "| within 2 u |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *(_line(name, of) for name, of in groups.items() if of),
        "",
        "| coin wrongly named | n | refused |",
        "| --- | --- | --- |",
    ]
    absent = [row for row in rows if not row["true"]]
    wrong = [row for row in rows if row["true"] not in ("", row["named"])]
    for photo in _names(wrong, "photo"):
        for name, same in ((OTHER_COLOUR, False), (SAME_COLOUR, True)):
            lines.append(_refusals(f"{photo}, {name}", _of_colour(wrong, same, photo)))
    for name, same in ((OTHER_COLOUR, False), (SAME_COLOUR, True)):
        lines.append(_refusals(name, _of_colour(wrong, same)))
    lines.append(_refusals("not there, among others", absent))
    bad = [row for row in right if row["refused"] or abs(row["off"]) > FAR_OFF]
    return "\n".join([*lines, "", *(_said(row) for row in sorted(bad, key=_size))])


def _of_colour(rows: Sequence[Row], same: bool, photo: str | None = None) -> list[Row]:
    return [
        r
        for r in rows
        if (coin(r["named"]).colour is coin(r["true"]).colour) == same
        and photo in (None, r["photo"])
    ]


def _refusals(name: str, rows: Sequence[Row]) -> str:
    return f"| {name} | {len(rows)} | {_share(sum(bool(r['refused']) for r in rows), rows)} |"


def _names(rows: Sequence[Row], key: str) -> list[str]:
    return list(dict.fromkeys(row[key] for row in rows))


def _size(row: Row) -> float:
    return -abs(row["off"]) if row["refused"] is None else 0.0


def _said(row: Row) -> str:
    what = f"{row['true']}, coin {row['coin']} {row['view']} on {row['photo']}"
    if row["refused"]:
        return f"refused {what}: {row['why']}"
    return f"{100 * row['off']:+5.1f} % claiming {100 * row['u_rel']:.1f}: {what}"


def _share(count: int, of: Sequence[Row]) -> str:
    return f"{count} ({100 * count / len(of):.0f} %)" if of else "-"


def _line(name: str, rows: Sequence[Row]) -> str:
    told = [row for row in rows if row["refused"] is None]
    if not told:
        return f"| {name} | {len(rows)} | {len(rows)} | | | | | |"
    off = np.abs([row["off"] for row in told])
    u = np.array([row["u_rel"] for row in told])
    cells = [
        name,
        str(len(rows)),
        str(len(rows) - len(told)),
        f"{100 * np.median(off):.1f} %",
        f"{100 * np.quantile(off, 0.9):.1f} %",
        str(int((off > FAR_OFF).sum())),
        f"{100 * np.median(u):.1f} %",
        _share(int((off < 2 * u).sum()), told),
    ]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    raise SystemExit(main())
