"""Which photos of an output folder are finished, even if the run before was killed?"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

from app.exit_codes import PhotoOutcome
from app.files import write_bytes_whole
from app.folder.photo import Graded
from rules.errors import CuproscopeError

STATE_NAME = "state.jsonl"
STATE_SCHEMA = "cuproscope.folder/1"


class State:
    """The finished photos of an output folder, written down one by one.

    A line is written in one go and flushed to the disk; a last line that was cut off by a
    kill is dropped, and its photo graded again. Only one run at a time may use it.
    """

    def __init__(self, out: Path, *, run: str) -> None:
        self.out = out
        self.run = run
        self.path = out / STATE_NAME
        self._kept: dict[str, Graded] = {}
        self._file: IO[str] | None = None

    def __enter__(self) -> State:
        whole = self._read()
        self._file = self.path.open("a", encoding="utf-8", newline="\n")
        self._file.truncate(whole)
        if whole == 0:
            self._append({"schema": STATE_SCHEMA})
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def kept(self, sha256: str) -> Graded | None:
        """Return a photo's answer if it is finished, was read, and its overlay is there."""
        graded = self._kept.get(sha256)
        if graded is None or graded.outcome == PhotoOutcome.UNREADABLE:
            return None
        if graded.overlay_name is not None and not (self.out / graded.overlay_name).is_file():
            return None
        return graded

    def keep(self, graded: Graded, overlay_name: str) -> Graded:
        """Write a finished photo down: its overlay first, so that a line stands for both."""
        data = graded.overlay
        if data is not None:
            write_bytes_whole(self.out / overlay_name, data)
        graded = replace(graded, overlay=None, overlay_name=None if data is None else overlay_name)
        self._append(
            {
                "run": self.run,
                "sha256": graded.sha256,
                "name": graded.name,
                "outcome": graded.outcome,
                "overlay": graded.overlay_name,
                "line": graded.line,
            }
        )
        self._kept[graded.sha256] = graded
        return graded

    def _append(self, entry: dict[str, Any]) -> None:
        assert self._file is not None
        self._file.write(json.dumps(entry) + "\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def _read(self) -> int:
        """Read what is finished; returns how many bytes of the file are whole lines."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return 0
        whole = 0
        for number, line in enumerate(data.splitlines(keepends=True)):
            if not line.endswith(b"\n"):
                break
            try:
                entry = json.loads(line)
                if number == 0:
                    if entry["schema"] != STATE_SCHEMA:
                        raise CuproscopeError(
                            "was written by another version", where=str(self.path)
                        )
                elif entry["run"] == self.run:
                    self._kept[entry["sha256"]] = Graded(
                        sha256=entry["sha256"],
                        name=entry["name"],
                        outcome=entry["outcome"],
                        line=entry["line"],
                        overlay_name=entry["overlay"],
                    )
            except (ValueError, KeyError, TypeError) as fault:
                raise CuproscopeError(
                    f"is damaged in line {number + 1}; remove it to begin anew",
                    where=str(self.path),
                ) from fault
            whole += len(line)
        return whole
