"""Decode in a process of its own, with a limit on time and on memory.

For what a header warns of: many scans, or far more pixels than phones usually take.
``python -m vision.photo.guarded`` is that process: bytes in on standard input; out come one
line of JSON and, behind it, the pixels. On systems without POSIX limits only time is limited.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np

from rules.errors import PhotoError
from vision.photo.container import kind_of
from vision.photo.decoding import CameraNotes, Decoded, decode
from vision.problems import photo_error

FROM_SCANS = 20
"""A JPEG with more is decoded apart: twice what encoders write."""

FROM_BYTES = 12 * 2**20
"""So is a file of another kind than JPEG that is larger than this; a 12-megapixel PNG of a
real photo is some 20 MB and takes a second more."""

FROM_PIXELS = 26_000_000
"""So is one that says it has more pixels than this, or doesn't say before it is opened."""

LIMIT_S = 12.0
"""Wall time: the slowest honest case seen (a 60-megapixel 16-bit PNG) took 4 s here."""

LIMIT_BYTES = 1_300_000_000
"""Address space above what the process starts with."""


def wants_guard(data: bytes, *, scans: int) -> bool:
    """Return whether the header says that decoding may take long or much memory.

    Args:
        data: The file.
        scans: How many a JPEG has.
    """
    kind = kind_of(data)
    if kind == "JPEG":
        return scans > FROM_SCANS
    if kind == "PNG":
        width, height = (int.from_bytes(data[at : at + 4], "big") for at in (16, 20))
        return width * height > FROM_PIXELS
    return len(data) > FROM_BYTES or _stated_pixels(data) > FROM_PIXELS


def _stated_pixels(data: bytes) -> int:
    """Return the most pixels that any image property of a HEIC or AVIF states.

    ``ispe`` boxes hold width and height (ISO/IEC 23008-12, 6.5.3); tiles have smaller ones.
    """
    most, at = 0, data.find(b"ispe", 0, 1 << 16)
    while at >= 0 and at + 16 <= len(data):
        width, height = (int.from_bytes(data[i : i + 4], "big") for i in (at + 8, at + 12))
        most = max(most, width * height)
        at = data.find(b"ispe", at + 4, 1 << 16)
    return most


def decode_guarded(data: bytes, *, name: str) -> Decoded:
    """Return what :func:`vision.photo.decoding.decode` does, or a typed error in time.

    Raises:
        PhotoError: As there, and ``too_slow``; ``out_of_memory`` past the limit.
    """
    command = [sys.executable, "-m", "vision.photo.guarded"]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    try:
        done = subprocess.run(
            command, input=data, env=env, capture_output=True, timeout=LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired as fault:
        raise photo_error("too_slow", where=name, limit_s=LIMIT_S) from fault
    head, _, pixels = done.stdout.partition(b"\n")
    try:
        told = json.loads(head)
    except ValueError as fault:
        # It died before it could say why: killed for memory, or by a decoder's own fault.
        if done.returncode < 0 or b"MemoryError" in done.stderr:
            raise photo_error("out_of_memory", where=name) from fault
        raise photo_error("damaged", where=name) from fault
    if "code" in told:
        raise PhotoError(told["message"], code=told["code"], fix=told["fix"], where=name)
    rgb = np.frombuffer(pixels, np.uint8).reshape(told["shape"])
    camera = CameraNotes(**told["camera"])
    return Decoded(rgb=rgb, camera=camera, notes=tuple(told["notes"]))


def _limit_memory() -> None:
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except (ImportError, OSError):  # not on Windows and macOS
        return
    started = pages * resource.getpagesize()
    limit = started + LIMIT_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def main() -> int:
    """Decode standard input to standard output."""
    data = sys.stdin.buffer.read()
    _limit_memory()
    try:
        decoded = decode(data, name="photo")
    except PhotoError as fault:
        told = {"code": fault.code, "message": fault.message, "fix": fault.fix}
        sys.stdout.buffer.write(json.dumps(told).encode() + b"\n")
        return 0
    facts = {
        "shape": decoded.rgb.shape,
        "camera": asdict(decoded.camera),
        "notes": decoded.notes,
    }
    sys.stdout.buffer.write(json.dumps(facts).encode() + b"\n")
    sys.stdout.buffer.write(decoded.rgb.data)
    sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
