"""A recorded piece, cut out of its photo, with what was measured drawn on it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.records.store import Records
    from app.records.types import PlaceOnPhoto

LONG_SIDE_PX = 480
MARGIN_SHARE = 0.2
"""Of the piece's longer side, around it: enough to know it by what lies beside it."""

QUALITY = 85
_LIGHT, _DARK = (255, 255, 255), (20, 22, 26)


def picture_of(records: Records, sha256: str, record_id: str | None) -> bytes | None:
    """Return a small JPEG of a piece, None where its photo is gone.

    Where the record knows the piece's place, the photo is cut to it and the outline and
    the measured widths are drawn; otherwise it is the whole photo.
    """
    try:
        if record_id is not None:
            for photo in records.piece(record_id).photos:
                if photo.sha256 == sha256 and photo.place is not None:
                    return _cut_out(records.photo_bytes(sha256), photo.place)
        return records.thumbnail(sha256, longest_px=LONG_SIDE_PX)
    except (CuproscopeError, OSError):
        return None


def _cut_out(data: bytes, place: PlaceOnPhoto) -> bytes:
    from PIL import Image, ImageDraw

    x, y, width, height = place.box_px
    margin = MARGIN_SHARE * max(width, height)
    with Image.open(io.BytesIO(data), formats=["JPEG", "PNG"]) as opened:
        left, top = max(0, int(x - margin)), max(0, int(y - margin))
        right = min(opened.width, int(x + width + margin) + 1)
        bottom = min(opened.height, int(y + height + margin) + 1)
        piece = opened.convert("RGB").crop((left, top, right, bottom))
    scale = LONG_SIDE_PX / max(piece.size)
    piece = piece.resize((max(1, round(piece.width * scale)), max(1, round(piece.height * scale))))
    pen = ImageDraw.Draw(piece)

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] - left) * scale, (point[1] - top) * scale

    # Light on dark, so that it shows on any metal and table.
    outline = [at(point) for point in (*place.outline_px, *place.outline_px[:1])]
    widths = [[at(a), at(b)] for a, b in place.measured_lines_px]
    for colour, thick in ((_DARK, 4), (_LIGHT, 2)):
        for line in ([outline] if len(outline) > 1 else []) + widths:
            pen.line(line, fill=colour, width=thick, joint="curve")
    out = io.BytesIO()
    piece.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
