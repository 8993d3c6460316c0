"""The trees that weigh a pair of strips: the one way to ``models/flash.onnx``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources.abc import Traversable

from models.loader import broken, described, session
from rules.findings import What
from vision.types import Float32Array

FILE = "flash.toml"
THINGS = (What.COATING, What.TIN, What.SOLDER)
"""What the model tells of, in its order; behind them the tarnish level and its log doubt."""

Weigh = Callable[[Float32Array, Float32Array], tuple[Float32Array, Float32Array, Float32Array]]
"""Numbers of n plain and n flash strips, ``(n, FEATURES)`` each, to what is told by the plain
strip, by the flash strip and by both, ``(n, 5)`` each."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlashModel:
    """The trees and how far what they add is to be trusted.

    Attributes:
        weigh: An ONNX session in use, any function in tests.
        trusted: What the log ratio of each thing is multiplied by; a thing that pairs did not
            help with is left out.
        u_tarnish_scale: What its doubts of the tarnish level are multiplied by; None where pairs
            did not help.
    """

    weigh: Weigh
    trusted: Mapping[What, float]
    u_tarnish_scale: float | None = None


@cache
def load_flash_model() -> FlashModel:
    """Return the shipped model. Loaded once; later calls cost nothing.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    return read_flash_model()


def read_flash_model(*, folder: Traversable | None = None) -> FlashModel:
    """Return the model in a folder, None for the one that ships.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    told = described("flash", folder=folder)
    try:
        trusted = {What(name): float(scale) for name, scale in told["trusted"].items()}
        level = told["calibration"].get("u_tarnish_scale")
        u_scale = None if level is None else float(level)
    except (AttributeError, KeyError, TypeError, ValueError) as fault:
        broken(FILE, f"does not say how far it is to be trusted ({fault})")
    run = session(told, folder=folder)

    def weigh(
        plain: Float32Array, flash: Float32Array
    ) -> tuple[Float32Array, Float32Array, Float32Array]:
        still, alone, pair = run.run(["still", "alone", "pair"], {"plain": plain, "flash": flash})
        return still, alone, pair

    return FlashModel(weigh=weigh, trusted=trusted, u_tarnish_scale=u_scale)
