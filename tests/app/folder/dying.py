"""A worker that dies, in a module that is quick to import: each new process imports it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

from app.folder.photo import Graded

if TYPE_CHECKING:
    from app.request import Request


def die_of_b(path: Path, name: str, request: Request, flash: Path | None = None) -> Graded:
    """Stands for a decoder that takes its whole process down with one photo."""
    if name == "b.jpg":
        os._exit(1)
    return Graded(sha256="", name=name, outcome=0, line=json.dumps({"photo": {"name": name}}))
