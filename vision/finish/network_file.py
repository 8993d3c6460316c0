"""Is a shipped network the file that its description says?

Each network is an ONNX file with a TOML file beside it: schema, SHA-256, what the
outputs mean, calibration. A file that is missing, damaged or another than described is
never run; whoever wanted it says why and falls back.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from hashlib import sha256
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING, Any

import cv2

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

THREADS = 2

TELEMETRY_OFF = ("ORT_DISABLE_TELEMETRY", "1")
"""onnxruntime 1.32 otherwise looks up an outside host and writes a device id and a queue of
events into the user's cache folder; its own ``disable_telemetry_events()`` stops neither.
Read once, when the library is imported; worker processes inherit it."""


def read_checked(
    folder: Traversable, *, model_file: str, metadata_file: str, schema: str, what: str
) -> tuple[Mapping[str, Any], bytes] | str:
    """Return description and content of a network, or in plain words why not.

    Args:
        folder: Holds both files.
        model_file: Name of the ONNX file.
        metadata_file: Name of the TOML file.
        schema: The description's schema.
        what: What a person would call the network.
    """
    try:
        metadata = tomllib.loads((folder / metadata_file).read_text(encoding="utf-8"))
        content = (folder / model_file).read_bytes()
    except OSError as fault:
        return f"the {what} is not there ({fault.strerror or fault})"
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        return f"{metadata_file} can't be read: {fault}"
    if metadata.get("schema") != schema:
        return f"{metadata_file} has schema {metadata.get('schema')!r}, not {schema!r}"
    if metadata.get("sha256") != sha256(content).hexdigest():
        return f"{model_file} is not the file that {metadata_file} describes (SHA-256 differs)"
    return metadata, content


def cpu_session(content: bytes) -> InferenceSession:
    """Return a session that runs an ONNX file's bytes on two threads at most.

    On one where OpenCV was told to use one: many processes then share the cores.
    """
    os.environ[TELEMETRY_OFF[0]] = TELEMETRY_OFF[1]
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
    return onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
