"""Is a trained file the one that its description says? The one way to each of them.

A trained file lies in this folder beside a TOML file of its own name that describes it:
schema, what comes in and out, calibration, and for each network ``file`` and ``sha256``.
They are parts of the program, not extras: one that is missing, damaged or another than
described is an :class:`rules.errors.InstallError` that names it, and nothing is judged
without it.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from hashlib import sha256
from importlib import resources
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING, Any, NoReturn

from rules.errors import InstallError

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

SCHEMAS = {
    "surface": "cuproscope.surface-model/2",
    "strip": "cuproscope.strip/1",
    "form_odds": "cuproscope.form-odds/1",
    "flash": "cuproscope.flash/1",
}
"""Every description that the program needs, and the schema that this version reads."""

SHIPPED = resources.files("models")

THREADS = 2
"""Most threads a network runs on; more do not help at these sizes."""


TELEMETRY_OFF = ("ORT_DISABLE_TELEMETRY", "1")
"""onnxruntime 1.32 otherwise looks up an outside host and writes a device id and a queue of
events into the user's cache folder; its own ``disable_telemetry_events()`` stops neither.
Read once, when the library is imported; worker processes inherit it."""


def described(name: str, *, folder: Traversable | None = None) -> Mapping[str, Any]:
    """Return what the description of a trained file says.

    Args:
        name: One of :data:`SCHEMAS`.
        folder: Where it lies; None for the files that ship.

    Raises:
        InstallError: It is missing, can't be read, or is of another version.
    """
    file = f"{name}.toml"
    try:
        told = tomllib.loads(_bytes(file, folder).decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        broken(file, f"can't be read: {fault}")
    if told.get("schema") != SCHEMAS[name]:
        broken(file, f"has schema {told.get('schema')!r}, not {SCHEMAS[name]!r}")
    return told


def session(table: Mapping[str, Any], *, folder: Traversable | None = None) -> InferenceSession:
    """Return a network that is the file described, ready to run.

    On one thread where OpenCV was told to use one: many processes then share the cores.

    Args:
        table: The table of a description that holds ``file`` and ``sha256``.
        folder: Where it lies; None for the files that ship.

    Raises:
        InstallError: The file is missing, is another than described, or can't be run.
    """
    content = _checked(table, folder)
    os.environ[TELEMETRY_OFF[0]] = TELEMETRY_OFF[1]
    import cv2
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = max(1, min(THREADS, cv2.getNumThreads()))
    options.log_severity_level = 3
    # Views differ in size, so that a plan of one size's memory is kept beside the next one's:
    # 283 instead of 449 MB for a whole photo, in the same time.
    options.enable_mem_pattern = False
    # Spinning threads take the second core from the rest of the program, and doubled
    # the time of some runs on two cores.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
    except Exception as fault:  # onnxruntime's errors share no base but Exception
        broken(str(table["file"]), f"can't be run here: {type(fault).__name__}")


@cache
def check(*, folder: Traversable | None = None) -> None:
    """Make sure that every trained file is there and whole, before anything is judged.

    About 50 ms for 15 MB on a busy machine; once a process, as long as all is well.

    Raises:
        InstallError: Names the first that is not.
    """
    for name in SCHEMAS:
        for table in _files_in(described(name, folder=folder)):
            _checked(table, folder)


def broken(file: str, why: str) -> NoReturn:
    """Say that a trained file can't be used.

    Raises:
        InstallError: Always.
    """
    raise InstallError(f"{why}, and nothing can be judged without it", where=f"models/{file}")


def _files_in(told: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Yield each table of a description that names a file."""
    if "sha256" in told:
        yield told
    for value in told.values():
        for inner in value if isinstance(value, list) else [value]:
            if isinstance(inner, Mapping):
                yield from _files_in(inner)


def _checked(table: Mapping[str, Any], folder: Traversable | None) -> bytes:
    content = _bytes(str(table["file"]), folder)
    if sha256(content).hexdigest() != table["sha256"]:
        broken(str(table["file"]), "is damaged or another file than its description names")
    return content


def _bytes(file: str, folder: Traversable | None) -> bytes:
    try:
        return ((folder or SHIPPED) / file).read_bytes()
    except OSError as fault:
        broken(file, f"is missing ({fault.strerror or fault})")
