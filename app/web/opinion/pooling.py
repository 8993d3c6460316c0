"""Several photos of one recorded piece: taken together, and before against after cleaning."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from app.records import PhotoRole, PiecePhoto, PieceRecord
from rules.findings import K95, Findings, Measurement
from rules.pooled import INDEPENDENT_PARTS, Pooled, pool_findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The tarnish level after so many photos."""

    photos: int
    level: Measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What cleaning did.

    Attributes:
        before: Level before.
        after: Level after.
        difference: After less before; below 0 it got brighter.
        u: Standard uncertainty of the difference, the photos taken as independent.
    """

    before: Measurement
    after: Measurement
    difference: float
    u: float

    def words(self) -> str:
        """Return what may be said of it."""
        size = f"{abs(self.difference):.2f} ± {K95 * self.u:.2f} (95 %)"
        if abs(self.difference) <= K95 * self.u:
            return f"No difference that the photos could tell: {size}."
        if self.difference < 0:
            return f"Brighter by {size}."
        return f"Duller by {size}."


def level_of(findings: Findings) -> Measurement | None:
    """Return the tarnish level of a piece, None where its finish was not judged."""
    return findings.finish.tarnish_level if findings.finish is not None else None


def photos_of(record: PieceRecord, *, after: bool = False) -> tuple[PiecePhoto, ...]:
    """Return the photos of a piece as it was, or after cleaning, that were measured."""
    return tuple(
        photo
        for photo in record.photos
        if photo.findings is not None and (photo.role is PhotoRole.AFTER) == after
    )


def pooled_with(
    record: PieceRecord, new: Findings | None = None, *, reference: str | None = None
) -> Pooled:
    """Return what all photos of a piece as it was say together, with one more if given.

    Photos with different reference objects don't share the error of their scale.

    Raises:
        ContractError: No photo of it was measured.
    """
    photos = photos_of(record)
    several = [photo.findings for photo in photos if photo.findings is not None]
    references = {photo.reference for photo in photos}
    if new is not None:
        several.append(new)
        references.add(reference)
    parts = set(INDEPENDENT_PARTS)
    return pool_findings(several, independent=parts | {"scale"} if len(references) > 1 else parts)


def steps_of(record: PieceRecord) -> tuple[Step, ...]:
    """Return the level after the first photo, after two together, and so on."""
    several = [p.findings for p in photos_of(record) if p.findings is not None]
    steps = []
    for count in range(1, len(several) + 1):
        level = level_of(pool_findings(several[:count]).findings)
        if level is not None:
            steps.append(Step(photos=count, level=level))
    return tuple(steps)


def change_of(record: PieceRecord) -> Change | None:
    """Return what cleaning did, None where there is no photo from after it."""
    after = [p.findings for p in photos_of(record, after=True) if p.findings is not None]
    if not after or not photos_of(record):
        return None
    first = level_of(pooled_with(record).findings)
    last = level_of(pool_findings(after).findings)
    if first is None or last is None:
        return None
    return Change(
        before=first,
        after=last,
        difference=last.value - first.value,
        u=hypot(first.u, last.u),
    )
