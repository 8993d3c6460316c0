"""Bring the tables of the model card up to date with the model that lies beside it.

    python -m models.recipe.surface.card --figures OUT/figures.json

rewrites what stands between ``<!-- NAME -->`` and ``<!-- end NAME -->`` in
``models/CARD.md`` from ``models/surface.toml`` and the figures; the rest is written
by people.
"""

from __future__ import annotations

import argparse
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

# The order of ``piece_head.PRESENCE``, which would need PyTorch here.
PRESENCE = ("coating", "insulation", "tin", "green", "brass", "solder", "other_metal", "not_metal")
CARD = Path(__file__).parents[2] / "CARD.md"


def main() -> None:
    """Read the arguments and rewrite the card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--figures", type=Path, required=True)
    asked = parser.parse_args()
    told = tomllib.loads(CARD.with_name("surface.toml").read_text(encoding="utf-8"))
    figures = json.loads(asked.figures.read_text(encoding="utf-8"))
    text = CARD.read_text(encoding="utf-8")
    for name, block in {
        "model": _model(told),
        "figures": _figures(figures["maps"]),
        "piece": _piece(figures),
        "strange": _strange(figures["strangeness"]),
        "light": _by_light(figures["maps"]),
    }.items():
        text = put(text, name, block)
    CARD.write_text(text, encoding="utf-8")


def put(text: str, name: str, block: str) -> str:
    """Return the text with what stands between two marks replaced.

    Raises:
        ValueError: The marks are not there exactly once.
    """
    pattern = re.compile(rf"(<!-- {name} -->\n).*?(<!-- end {name} -->)", re.DOTALL)
    new, count = pattern.subn(lambda m: f"{m[1]}{block}\n{m[2]}", text)
    if count != 1:
        raise ValueError(f"{count} places for {name}")
    return new


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f} %"


def _model(told: Mapping[str, Any]) -> str:
    training = told["training"]
    return _table(
        ["", ""],
        [
            ["files", _file(told) + "; " + _file(told["piece"]) + f"; opset {told['opset']}"],
            ["SHA-256", f"`{told['sha256']}`, `{told['piece']['sha256']}`"],
            [
                "trained last",
                f"{told['date']}, {training['steps']} steps of {training['batch']} views of "
                f"{training['side_px']} px in {training['minutes']:g} min on {training['device']}, "
                f"seed {training['seed']}, from {training['start']}",
            ],
            [
                "photos of the last training",
                f"{training['photos']} rendered, {training['real_photos']} real surroundings",
            ],
            [
                "calibration",
                f"temperature {told['calibration']['temperature']}, limit of strangeness "
                f"{told['piece_calibration']['strangeness_limit']}",
            ],
        ],
    )


def _file(table: Mapping[str, Any]) -> str:
    return f"`{table['file']}`, {table['bytes'] / 1e6:.1f} MB"


def _piece(figures: Mapping[str, Any]) -> str:
    """Return what the head finds on the pieces of each kind of photo."""
    rows = []
    for mix in ("advised", "hard"):
        told = figures[mix]
        for name in PRESENCE:
            one = told[name]
            rows.append(
                [
                    mix,
                    name.replace("_", " "),
                    f"{round(one['rate'] * told['pieces'])} of {told['pieces']}",
                    _percent(one["found"]),
                    _percent(one["false"]),
                    _percent(one["expected"]),
                    f"{one['score']:.3f}",
                ]
            )
        rows.append([mix, "form", "", _percent(told["form_right"]), "", "", ""])
        rows.append(
            [
                mix,
                "tarnish level",
                "",
                f"off by {told['tarnish_error']:.3f}",
                f"said {told['tarnish_spread']:.3f}",
                f"{_percent(told['tarnish_within_2'])} within 2 u",
                "",
            ]
        )
    head = ["photos", "finding", "pieces", "found", "false", "mean probability", "log score"]
    return _table(head, rows)


def _strange(told: Mapping[str, Any]) -> str:
    names = {
        "known_turned_away": "rendered pieces turned away",
        "strangers_passed": "rendered strangers (tools, plastic, wood ...) that pass",
        "real_known_turned_away": "real pieces (insulated leads mostly) turned away",
        "real_without_copper_passed_as_copper": "real things without copper that pass as copper",
    }
    rows = [
        [text, _percent(told[name]), str(told[f"{name}_of"])]
        for name, text in names.items()
        if name in told
    ]
    return _table(["at the head's limit of strangeness", "share", "of"], rows)


def _figures(figures: Mapping[str, Any]) -> str:
    summary = _table(
        ["figure", "value"],
        [
            ["views, of them of single pieces", f"{figures['views']}, {figures['pieces']}"],
            ["mean IoU of the classes seen", f"{figures['mean_iou']:.3f}"],
            ["cells with the right class", _percent(figures["cells_right"])],
            ["pieces with the right dominant finish", _percent(figures.get("finish_right"))],
            ["tarnish level, mean error of a piece", f"{figures.get('tarnish_error') or 0:.3f}"],
            [
                f"brass found, of {figures.get('brass_pieces')} pieces; false alarms",
                f"{_percent(figures.get('brass_found'))}; {_percent(figures.get('brass_false'))}",
            ],
            [
                f"solder found, of {figures.get('solder_pieces')} pieces; false alarms",
                f"{_percent(figures.get('solder_found'))}; {_percent(figures.get('solder_false'))}",
            ],
            [
                "expected calibration error of cells before and after temperature "
                "(fitted on one half of the views, reported on the other)",
                f"{figures['ece_uncalibrated']:.3f}, {figures['ece']:.3f}",
            ],
        ],
    )
    finish = figures.get("finish_right_by_class", {})
    by_class = _table(
        ["class", "IoU", "pieces right where it is the dominant finish"],
        [[c, f"{v:.3f}", _percent(finish.get(c))] for c, v in figures["iou"].items()],
    )
    return f"{summary}\n\n{by_class}"


def _by_light(figures: Mapping[str, Any]) -> str:
    rows = [
        [
            light,
            f"{told['mean_iou']:.3f}",
            _percent(told.get("finish_right")),
            "-" if told.get("tarnish_error") is None else f"{told['tarnish_error']:.3f}",
        ]
        for light, told in sorted(figures["by_light"].items())
    ]
    return _table(["light", "mean IoU", "finish right", "tarnish error"], rows)


if __name__ == "__main__":
    main()
