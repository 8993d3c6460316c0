"""Work on the records that is killed at a step: run by the test beside it, in its own process."""

from __future__ import annotations

import os
import random
import signal
import sys
from pathlib import Path
from typing import Any, TextIO

from app.load.bins import Bin, with_bin, with_piece
from app.load.pieces import next_id
from app.load.store import LoadStore
from app.opening import open_records
from app.records.archive import export_zip, import_zip
from tests.app.load.loads import piece
from tests.app.records.pieces import new_piece, save_piece


def main(folder: Path, seed: int, steps: int, told: Path) -> None:
    """Work; die at a step that is a system call away from the disk. What is done is told."""
    with told.open("w", encoding="utf-8") as lines:
        work(folder, seed, steps, lines)


def work(folder: Path, seed: int, steps: int, lines: TextIO) -> None:
    left = [steps]

    def say(*words: object) -> None:
        """Tell what is done, at once."""
        lines.write(" ".join(map(str, words)) + "\n")
        lines.flush()

    def step(event: str, _: tuple[Any, ...]) -> None:
        if event in ("open", "os.rename", "os.remove", "os.mkdir", "tempfile.mkstemp"):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    rng = random.Random(seed)
    with open_records(folder) as records:
        loads = LoadStore(records)
        for statement in ("before_cursor_execute", "commit"):
            from sqlalchemy import event as events

            events.listen(records._engine, statement, lambda *_: step("open", ()))
        sys.addaudithook(step)
        for turn in range(100):
            known = [one.id for one in records.pieces(limit=3)]
            act = rng.choice(("save", "save", "delete", "load", "out", "in", "all"))
            say("begin", act, *known[:1])
            if act == "save":
                saved = save_piece(
                    records, new_piece(turn % 5, 5 + turn % 3, name=f"{seed}-{turn}")
                )
                say("saved", saved.id)
            elif act == "delete" and known:
                records.delete_piece(known[0])
                say("deleted", known[0])
            elif act == "load":

                def put(load: Any) -> Any:
                    if not load.bins:
                        load = with_bin(load, Bin(name="ones", grade="no1"))
                    return with_piece(load, "ones", piece(next_id(load.taken), "1"))

                say("given", loads.edit("van", put).given)
            elif act == "out":
                export_zip(records, folder / "out.zip")
                say("exported")
            elif act == "in" and (folder / "out.zip").exists():
                import_zip(records, folder / "out.zip")
                say("imported")
            elif act == "all" and turn % 7 == 6:
                records.delete_everything()
                say("emptied")
