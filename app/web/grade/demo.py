"""The demo photos: an invented van load, one tap away."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parents[3] / "fixtures" / "demo"


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """One demo photo.

    Attributes:
        file: Its file name.
        title: What it shows, in a few words; a marker's size, which no photo tells.
        alt: What is to be seen on it.
    """

    file: str
    title: str
    alt: str


DEMOS = (
    Demo(
        file="tube_with_brass_end.jpg",
        title="Tube with a brass end",
        alt="A copper tube with a brass fitting on its end, beside a bank card",
    ),
    Demo(
        file="bright_wires_thick_and_thin.jpg",
        title="Two bright wires",
        alt="A thick and a thin shiny copper wire beside a bank card",
    ),
    Demo(
        file="handful_on_wood.jpg",
        title="A handful, 15 mm marker",
        alt="Eleven and more pieces of tube, wire, cable and brass beside a 15 mm marker",
    ),
    Demo(
        file="tube_and_dull_wire.jpg",
        title="Dull tube and wire",
        alt="A brown copper tube and a brown wire beside a bank card",
    ),
    Demo(
        file="tinned_cable.jpg",
        title="Tinned cable",
        alt="A grey stranded cable beside a bank card",
    ),
    Demo(file="busbar.jpg", title="Flat bar", alt="A flat copper bar beside a bank card"),
    Demo(
        file="corroded_tube_card_hard_to_see.jpg",
        title="Card hard to see",
        alt="A corroded tube beside a card that has the colour of the table",
    ),
)


def demos() -> tuple[Demo, ...]:
    """Return the demo photos that are there; none where they were left out."""
    return tuple(demo for demo in DEMOS if (FOLDER / demo.file).is_file())


def demo_bytes(demo: Demo) -> bytes:
    """Return the photo's file as it is."""
    return (FOLDER / demo.file).read_bytes()
