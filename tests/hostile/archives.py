"""Files of records as somebody who means harm would hand them in."""

from __future__ import annotations

import io
import json
import warnings
import zipfile
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

Content = dict[str, Any]

NASTY: tuple[object, ...] = (
    "", " ", "a\nb", "\x00", "\u202e", "x" * 5000, "../../x", "![x](http://evil.example/x.png)",
    "=1+1", "nan", "Infinity", "1e-400", "1e400", "-1", "9" * 39, "0." + "0" * 37 + "1",
    "XXX", "usd", "2026-02-30", "0000-00-00", "9999-12-31T23:59:59.999999Z", "{}", "[]", "null",
    -1, 0, 2**31, 2**63, 10**30, 1e308, -0.5, 1.5, 5e-324, True, False, None, [], {}, [[]],
)  # fmt: skip
"""What stands in a file in place of something else."""


def repacked(
    whole: bytes,
    change: Callable[[Content], object],
    *,
    packing: int = zipfile.ZIP_DEFLATED,
) -> bytes:
    """Return an export with other content."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as source, zipfile.ZipFile(out, "w", packing) as made:
        for name in source.namelist():
            data = source.read(name)
            if name == "records.json":
                content = json.loads(data)
                change(content)
                data = json.dumps(content).encode()
            made.writestr(name, data)
    return out.getvalue()


def packed(text: bytes, *, name: str = "records.json") -> bytes:
    """Return a zip of one member."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as made:
        made.writestr(name, text)
    return out.getvalue()


HEAD = b'{"schema": "cuproscope.records/1", "written_utc": "2026-03-20T18:04:11.000000Z", '
PHOTO = b'{"sha256": "%064x", "kind": "jpeg", "width_px": 9, "height_px": 9, "added_utc": '
BIG = 24_000_000


def bombs() -> dict[str, bytes]:
    """Return small files that would take much to unpack or to read, by what they do."""
    photo = PHOTO % 7 + b'"2026-03-20T18:04:11.000000Z"},'
    return {
        "blanks": packed(b" " * BIG),
        "zeros": packed(b"\0" * BIG),
        "one long string": packed(b'{"schema": "' + b"a" * BIG + b'"}'),
        "one long number": packed(HEAD + b'"photos": ' + b"1" * BIG),
        "many nothings": packed(HEAD + b'"photos": [], "pieces": [' + b"[]," * (BIG // 3)),
        "many rows": packed(HEAD + b'"tables": {"buyer": [' + b"{}," * (BIG // 3)),
        "many tables": packed(HEAD + b'"tables": {' + b'"a":[],' * (BIG // 7)),
        "many keys": packed(HEAD + b'"tables": {"buyer": [{' + b'"a":1,' * (BIG // 6)),
        "deep": packed(HEAD + b'"photos": ' + b"[" * 3_000_000),
        "deep rows": packed(HEAD + b'"tables": {"buyer": [' + b'{"a":' * 500_000),
        "one photo very often": packed(HEAD + b'"photos": [' + photo * (BIG // len(photo))),
    }


def wide_directory(count: int = 200_000) -> bytes:
    """Return a zip of ``count`` empty files, all of them one: only its directory is large."""
    one = packed(b"", name="records.json")
    start = one.rindex(b"PK\x01\x02")
    entry = one[start : one.rindex(b"PK\x05\x06")]
    directory = entry * count
    end = b"PK\x05\x06" + b"\0" * 4 + min(count, 0xFFFF).to_bytes(2, "little") * 2
    return (
        one[:start]
        + directory
        + end
        + len(directory).to_bytes(4, "little")
        + start.to_bytes(4, "little")
        + b"\0\0"
    )


def odd_names(whole: bytes) -> Iterator[bytes]:
    """Yield exports with one more member that no export has."""
    for name in (
        "../../etc/passwd", "/etc/passwd", "photos/../x.jpg", "photos\\..\\x.jpg", "C:x.jpg",
        "photos/" + "g" * 64 + ".jpg", "photos/" + "0" * 64 + ".exe", "a\0b", "", "records.json",
        "RECORDS.JSON", "photos/", "photos/" + "0" * 64 + ".jpg/x",
    ):  # fmt: skip
        out = io.BytesIO(whole)
        with zipfile.ZipFile(out, "a") as made:
            member = zipfile.ZipInfo("placeholder")
            member.filename = name  # as it is, without what the library makes of it
            member.external_attr = 0o120777 << 16  # a symbolic link
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of a name that is there already
                made.writestr(member, b"/etc/passwd")
        yield out.getvalue()


def cells(content: Content) -> list[tuple[str, ...]]:
    """Return the path of every value in an export, down into the JSON that some cells hold."""
    found: list[tuple[str, ...]] = []

    def walk(value: object, path: tuple[str, ...]) -> None:
        if isinstance(value, dict):
            for key, one in value.items():
                walk(one, (*path, key))
        elif isinstance(value, list):
            for number, one in enumerate(value[:3]):
                walk(one, (*path, str(number)))
        elif isinstance(value, str) and value.startswith("{"):
            walk(json.loads(value), (*path, "json"))
        else:
            found.append(path)

    walk(content, ())
    return found


def put(content: Content, path: tuple[str, ...], nasty: object) -> None:
    """Put something else in one place of an export."""

    def inner(value: Any, path: tuple[str, ...]) -> Any:
        if not path:
            return nasty
        if path[0] == "json":
            return json.dumps(inner(json.loads(value), path[1:]))
        key = int(path[0]) if isinstance(value, list) else path[0]
        value[key] = inner(value[key], path[1:])
        return value

    inner(content, path)


def mutated(whole: bytes, count: int, *, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield exports with one value in another's place, and where that is."""
    with zipfile.ZipFile(io.BytesIO(whole)) as source:
        places = cells(json.loads(source.read("records.json")))
    rng = np.random.default_rng(seed)
    # Each kind of place as often as the others: outlines have most of the numbers.
    kinds: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
    for place in places:
        kinds.setdefault(tuple(k for k in place if not k.isdigit()), []).append(place)
    order = list(kinds.values())
    rng.shuffle(order)
    for number in range(count):
        some = order[number % len(order)]
        path = some[int(rng.integers(len(some)))]
        nasty = NASTY[int(rng.integers(len(NASTY)))]
        changed = repacked(whole, lambda content, p=path, n=nasty: put(content, p, n))  # type: ignore[misc]
        yield f"{'/'.join(path)} = {nasty!r:.40}", changed


def flipped(whole: bytes, count: int, *, seed: int) -> Iterator[bytes]:
    """Yield files with bytes changed, cut off or cut out."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        data = bytearray(whole)
        at = int(rng.integers(len(data)))
        match int(rng.integers(3)):
            case 0:
                data[at] ^= int(rng.integers(1, 256))
            case 1:
                del data[at:]
            case _:
                del data[at : at + int(rng.integers(1, 64))]
        yield bytes(data)
