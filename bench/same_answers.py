"""Do all fixture and demo photos get the same answers as before a change, byte for byte?

    python -m bench.same_answers --write before.jsonl      on the old commit
    python -m bench.same_answers --against before.jsonl    on the new one

Each photo is asked with the reference found by itself, and once more with the coin or marker
that its truth names. Exit code 1 where an answer differs; each photo that does is named, with
the first key whose value is another. For moves and clean-ups, which must change nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).parents[1] / "fixtures"
SUFFIXES = {".jpg", ".jpeg", ".png", ".webp", ".heic"}


def main(argv: Sequence[str] | None = None) -> int:
    """Write today's answers, or compare them with those written before."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked = parser.add_mutually_exclusive_group(required=True)
    asked.add_argument("--write", type=Path, metavar="FILE")
    asked.add_argument("--against", type=Path, metavar="FILE")
    options = parser.parse_args(argv)
    lines = answers(photos(FIXTURES))
    for photo, key in named_references(FIXTURES):
        lines += answers([photo], reference=key)
    if options.write:
        options.write.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        print(f"{len(lines)} answers written")
        return 0
    before = options.against.read_text(encoding="utf-8").splitlines()
    changed = list(differences(before, lines))
    for change in changed:
        print(change)
    print(f"{len(changed)} of {len(before)} answers differ")
    return 1 if changed else 0


def photos(folder: Path) -> list[Path]:
    """Return every photo below a folder but pictures of labels, in a fixed order."""
    found = (p for p in folder.rglob("*") if p.suffix.lower() in SUFFIXES)
    return sorted(p for p in found if p.suffixes[-2:-1] not in ([".labels"], [".pieces"]))


def named_references(folder: Path) -> list[tuple[Path, str]]:
    """Return each photo beside a coin or marker with its key, as its truth names it.

    A card or a printed sheet is found by itself, so that asking for it tells nothing more.
    """
    named = []
    for path in sorted(folder.rglob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(truth, dict) and truth.get("schema") == "cuproscope.truth/1":
            keys = {one["key"] for one in truth["references"]} - {"card", "sheet"}
            named += [((path.parent / truth["photo"]).resolve(), key) for key in sorted(keys)]
    return named


def answers(paths: Sequence[Path], *, reference: str = "auto") -> list[str]:
    """Return one JSON line a photo, as ``cuproscope grade --json`` prints it."""
    from app.cli import main as cuproscope

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        cuproscope(["grade", "--json", "--reference", reference, *map(str, paths)])
    return out.getvalue().splitlines()


def differences(before: Sequence[str], after: Sequence[str]) -> Iterator[str]:
    """Yield a line for each photo whose answer is not what it was."""
    if len(before) != len(after):
        yield f"{len(before)} answers before, {len(after)} now"
    for old, new in zip(before, after, strict=False):
        if old != new:
            was, now = json.loads(old), json.loads(new)
            yield f"{was['photo']['name']}: {first_difference(was, now) or 'order of keys'}"


def first_difference(was: Any, now: Any, path: str = "") -> str:
    """Return the path of the first value that differs and both values, empty where none."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in [*was, *(k for k in now if k not in was)]:
            found = first_difference(was.get(key), now.get(key), f"{path}.{key}")
            if found:
                return found
        return ""
    if isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for index, (a, b) in enumerate(zip(was, now, strict=True)):
            found = first_difference(a, b, f"{path}[{index}]")
            if found:
                return found
        return ""
    return "" if was == now else f"{path.lstrip('.')}: {str(was)[:60]} -> {str(now)[:60]}"


if __name__ == "__main__":
    raise SystemExit(main())
