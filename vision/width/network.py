"""The strip network: one file, three parts that are asked apart.

``models/strip.onnx`` tells where both edges of a straightened piece are
(:mod:`vision.width.edge_net`), tells the same from close by where it is wide
(:mod:`vision.width.near`), and what the piece is and how fine its strands are
(:mod:`vision.width.strand.strip_look`). Each part is run alone; the others' inputs stay empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING, Any

import numpy as np

from models.loader import described, session
from vision.types import Float32Array

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

MODEL = "strip"
MODEL_FILE, METADATA_FILE = f"{MODEL}.onnx", f"{MODEL}.toml"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripNetwork:
    """The network in use.

    Attributes:
        run: Its session.
        empty: Every input with no rows, by name.
        metadata: Everything in ``strip.toml``.
    """

    run: InferenceSession
    empty: Mapping[str, Float32Array]
    metadata: Mapping[str, Any]

    def edges(self, profiles: Float32Array, neighbours: Float32Array) -> Float32Array:
        """Return ``(n, samples, 2)`` log probabilities of the edges.

        Args:
            profiles: ``(n, samples, 8)`` from :func:`vision.width.edge_net.inputs`.
            neighbours: ``(n, n)`` shares of the mean that each profile takes of each.
        """
        return self._said(["edges"], profiles=profiles, neighbours=neighbours)[0]

    def near_edges(self, profiles: Float32Array, neighbours: Float32Array) -> Float32Array:
        """Return the same of profiles whose halves show an edge each from close by."""
        return self._said(["near_edges"], near_profiles=profiles, near_neighbours=neighbours)[0]

    def looks(
        self, light: Float32Array, log_step: Float32Array
    ) -> tuple[Float32Array, Float32Array]:
        """Return log probabilities of the looks and of the strand's share for each window.

        Args:
            light: ``(m, along, across, 3)`` from :func:`vision.width.strand.strip_look.windows_of`.
            log_step: ``(m,)``.
        """
        looks, shares = self._said(["looks", "shares"], light=light, log_step=log_step)
        return looks, shares

    def _said(self, wanted: list[str], **given: Float32Array) -> list[Float32Array]:
        from onnxruntime import RunOptions

        options = RunOptions()
        options.only_execute_path_to_fetches = True
        said: list[Float32Array] = self.run.run(wanted, {**self.empty, **given}, options)
        return said


@cache
def shipped() -> StripNetwork:
    """Return the network that ships. Loaded once.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    return read_network()


def read_network(folder: Traversable | None = None) -> StripNetwork:
    """Return the network in a folder.

    Args:
        folder: Holds ``strip.onnx`` and ``strip.toml``; None for the one that ships.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    told = described(MODEL, folder=folder)
    run = session(told, folder=folder)
    empty = {
        put.name: np.zeros([n if isinstance(n, int) else 0 for n in put.shape], np.float32)
        for put in run.get_inputs()
    }
    return StripNetwork(run=run, empty=empty, metadata=told)
