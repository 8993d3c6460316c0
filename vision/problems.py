"""What can keep a photo from answering, in which words, and what to do about it?

The one catalogue: each problem has a code, a text and a fix, the same on the command line,
on the pages, on the overlay and in JSON. A channel adds its own "how to do that here"
(``app/how.py``). Behind a dot stands the variant of a code whose words differ.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from rules.errors import PhotoError
from rules.sentences import sentence
from vision.types import Problem

CATALOGUE: Mapping[str, tuple[str, str]] = {
    # -- the file
    "empty_folder": (
        "holds no photo",
        "Give a folder with {kinds} files in it.",
    ),
    "not_found": (
        "there is no such file",
        "Check the name and the folder; put quotation marks around names with spaces.",
    ),
    "not_found.upload": (
        "the photo is no longer kept here",
        "Choose it again.",
    ),
    "unreadable": (
        "the file can't be opened",
        "Check that you may read it and that the disk or phone is still connected.",
    ),
    "empty": (
        "the file is empty",
        "Copy the photo again; the last copy did not finish.",
    ),
    "too_large": (
        "the file is larger than {most_mb} MB",
        "Save it as a JPEG, or set the camera to its normal resolution (12 megapixels).",
    ),
    "too_large.upload": (
        "the file has {mb:.0f} MB; {most_mb} MB are read",
        "Save it as a JPEG, or take it with fewer megapixels.",
    ),
    "not_a_photo": (
        "this is not a photo",
        "Give a {kinds} file straight from the phone.",
    ),
    "not_a_photo.no_file": (
        "is not an ordinary file",
        "Save the photo as a file first.",
    ),
    "wrong_kind": (
        "this is {looks} file, which can't be read",
        "Save or export the photo as {kinds}.",
    ),
    "damaged": (
        "the file is damaged or cut short",
        "Send or copy the photo again, or take a new one.",
    ),
    "too_small": (
        "the picture is only {width} x {height} pixels",
        "Send the photo in its original size, not a preview of it.",
    ),
    "odd_shape": (
        "the picture is {width} x {height} pixels, a strip and no photo",
        "Send the whole photo as the phone took it.",
    ),
    "too_many_pixels": (
        "{told}, more than {most_megapixels} megapixels",
        "Set the camera to its normal resolution (12 megapixels is plenty).",
    ),
    "too_many_scans": (
        "the picture comes in more than {most} passes, as no camera writes it",
        "Send the photo as the phone took it, or save it as an ordinary JPEG.",
    ),
    "too_slow": (
        "the picture takes longer than {limit_s:.0f} s to open",
        "Save it as an ordinary JPEG of 12 megapixels, or send it as the phone took it.",
    ),
    "out_of_memory": (
        "there is not enough memory to open this picture",
        "Close other programs, or set the camera to its normal resolution (12 megapixels).",
    ),
    "hdr_photo": (
        "an HDR photo, whose brightness depends on the screen",
        "Turn HDR off in the camera's settings, or save the photo as a JPEG.",
    ),
    "internal": (
        "The program failed on this photo ({told}).",
        "Try another photo of the piece, and report this one.",
    ),
    # -- how it was taken
    "blurred": (
        "The photo is blurred: edges are smeared over about {blur_px:.0f} pixels.",
        "Tap the piece on the screen to focus, hold the phone with both hands or lean it on "
        "something, and use more light.",
    ),
    "too_far": (
        "The piece is too small in the photo to measure well.",
        "Move closer, so that the piece and the reference fill the picture; don't zoom.",
    ),
    "too_far.width": (
        "The piece is too small in the photo to measure well: only about {width_px:.0f} pixels "
        "wide.",
        "Move closer, so that the piece and the reference fill the picture; don't zoom.",
    ),
    "too_dark": (
        "The photo is too dark to judge the finish.",
        "Go near a window or outside into the shade, and take it again.",
    ),
    "too_bright": (
        "The photo is overexposed: white paper has no colour left to compare with.",
        "Tap the brightest spot on the screen, or move out of direct sun.",
    ),
    "glare": (
        "Glare hides the colour of {percent:.0f} % of the piece.",
        "Turn the flash off, turn the piece a little, or work in the shade.",
    ),
    "colour_cast": (
        "The light has a strong colour, so the finish can't be told well.",
        "Use daylight from a window, or a plain white lamp.",
    ),
    # -- with the flash
    "flash_lit": (
        "The phone's flash lit this photo: by its glare the finish can't be told as by daylight.",
        "Take one without the flash first; this one then goes along with it.",
    ),
    "flash_missing": (
        "The second photo ({name}) does not show that the flash lit it, so it tells no more than "
        "the first.",
        "Turn the flash on (not to automatic), and take the second photo again.",
    ),
    "flash_moved": (
        "Not found again at its place in the photo with the flash ({name}): moved, turned,"
        " or another piece.",
        "Touch nothing between the two photos, hold the phone at the same place, and take both "
        "again.",
    ),
    # -- what lies beside it
    "no_reference": (
        "neither the printed sheet nor a bank-card sized card was found",
        "Lay a whole card flat beside the piece, or the piece on the printed sheet. A coin or a"
        " marker must be named.",
    ),
    "no_reference.card": (
        "no bank-card sized card was found",
        "Lay the whole card flat beside the piece, on a table of another colour, nothing over "
        "its edges.",
    ),
    "no_reference.sheet": (
        "fewer than two markers of the printed sheet were found",
        "Lay the piece inside the white area and take all four markers into the picture.",
    ),
    "no_reference.marker": (
        "no 4x4 marker (DICT_4X4_50) was found",
        "Show the whole marker with a white rim around it. Lay it flat beside the piece, wholly"
        " in view, and hold the phone level above.",
    ),
    "no_reference.marker_size": (
        "a printed marker is in view, but its size can't be known from the picture",
        "Measure its black square and name it with that size.",
    ),
    "no_reference.coin": (
        "no whole coin in the photo, and {coin} was named as the reference",
        "Lay the coin flat beside the piece, wholly in the picture and free all around.",
    ),
    "ambiguous_reference": (
        "{count} round things of different sizes could be the {coin}",
        "Leave only the named coin beside the piece, and take the photo again.",
    ),
    "other_reference": (
        "this coin looks {looks}; {coin} was named as the reference",
        "Name the coin that lies there, or lay {coin} ({colour}) flat beside the piece, in "
        "daylight.",
    ),
    "other_reference.size": (
        "beside the others this coin looks like a {looks}; {coin} was named as the reference",
        "Name the coin that lies there, or leave only the named one beside the piece.",
    ),
    "reference_unclear": (
        "the edge of the {coin} can't be told from what lies around it",
        "Lay the coin on plain white paper, free all around, out of hard shadow.",
    ),
    "references_disagree": (
        "two markers in view differ in size: if one is {side_mm:g} mm, the other is "
        "{other_mm:.1f} mm",
        "Leave only the marker you named in view, flat on the table.",
    ),
    "unknown_reference": (
        "{told!r} does not tell the marker's black side in mm",
        "Measure the black square of the marker and write it in mm, as in marker:40.",
    ),
    "reference_too_small.card": (
        "the card is only {long_px:.0f} px long; at least {least_px:.0f} are needed",
        "Move closer.",
    ),
    "reference_too_small.marker": (
        "the marker is only {side_px:.0f} px wide; at least {least_px:.0f} are needed",
        "Move closer, or print a larger marker.",
    ),
    "reference_too_small.marker_blurred": (
        "the marker is {side_px:.0f} px wide and blurred over {blur_px:.1f} px",
        "Hold still, move closer, or print a larger marker.",
    ),
    "reference_too_small.coin": (
        "the {coin} is {across_px:.0f} px across; {least_px:.0f} are needed",
        "Move closer, so that coin and piece fill the picture.",
    ),
    "tilt_too_big": (
        "the phone was tilted by {tilt_deg:.0f} degrees against the table",
        "Hold the phone level above the piece, looking straight down.",
    ),
    "residual_too_big": (
        "the reference is {residual_px:.1f} px off its true shape",
        "Flatten it: no curl, no fold, nothing over its edges. Lay it flat beside the piece, "
        "wholly in view, and hold the phone level above.",
    ),
    "length_wrong": (
        "a distance of {length_mm:g} mm can't be right",
        "Enter the distance between the two points in mm, at most {longest_mm:g}.",
    ),
    "points_outside": (
        "a point lies outside of the photo",
        "Tap both points on the photo.",
    ),
    "points_too_near": (
        "the two points are only {distance_px:.0f} px apart; {least_px:.0f} are needed",
        "Tap two points further apart, the longer the better.",
    ),
    # -- which pieces
    "no_piece": (
        "No piece of metal stands out from the table.",
        "Lay the piece on plain white paper, fill a third of the photo with it, and keep its "
        "shadow short.",
    ),
    "nothing_there": (
        "{told}",
        "Tap the middle of the piece's metal, or lay it on plain white paper.",
    ),
    "pieces_side_by_side": (
        "Several pieces lie side by side here and can't be told apart, so no thickness is "
        "measured on them.",
        "Lay them a finger's breadth apart and take the photo again.",
    ),
    # -- how thick
    "piece_too_short": (
        "The piece is not long enough across the photo to measure its thickness.",
        "Lay it so that a straight run several times longer than it is thick can be seen.",
    ),
    "coil_or_tangle": (
        "The piece is a coil or a tangle, so the wire's thickness can't be measured on it.",
        "Pull one end straight, lay it clear of the rest, and photograph that end.",
    ),
    "coil_or_tangle.thick": (
        "The piece looks like wire and is {mm:.1f} mm thick, more than any solid wire: it is a "
        "coil wound closely, or several wires side by side.",
        "Pull one end straight, or lay the wires apart, and photograph one of them.",
    ),
    "edges_unclear": (
        "The piece's edges can't be told from the table along a long enough run.",
        "Lay it on plain white paper in soft light, away from other pieces, and take the photo "
        "again.",
    ),
    "cut_by_frame": (
        "Along the piece one of its sides lies outside the photo, so that its thickness can't be "
        "measured.",
        "Take the photo again with the whole width of the piece in view.",
    ),
    "thickness_uneven": (
        "Most of what was taken for one piece is not equally thick: several pieces may touch or"
        " lie across each other, or a deep shadow hides an edge.",
        "Lay the piece alone, so that nothing crosses or touches it, on plain white paper in "
        "soft light.",
    ),
    "width_unsure": (
        "The piece is {width_px:.0f} pixels wide in the photo; blur or shadow leaves its "
        "thickness open by about {percent:.0f} %.",
        "Lay it on plain white paper in soft light, its shadow short, and hold still.",
    ),
    "width_unsure.thin": (
        "The piece is {width_px:.0f} pixels wide in the photo; blur or shadow leaves its "
        "thickness open by about {percent:.0f} %.",
        "{closer}",
    ),
    "too_thin_in_photo": (
        "The piece is {seen} pixels wide in the photo; it must surely be at least {least_px:g} to "
        "be measured.",
        "{closer}",
    ),
    "solid_or_strands": (
        "Solid wire and a bundle of fine strands look alike this small, so no strand thickness "
        "is given.",
        "Look at the cut end and state the form, or go closer.",
    ),
    "flat_or_wound": (
        "A coated sheet and a coil of fine enamelled wire look alike from here.",
        "Look whether wire comes off it, and state the form.",
    ),
    "strands_not_resolved": (
        "The single strands can't be told apart, so no strand thickness is given: anything up "
        "to {most_mm:.1f} mm is possible in a bundle so thick.",
        "Photograph the cut end from close up, or one strand cut off and laid alone.",
    ),
    "strand_too_small": (
        "a strand is only {width_px:.0f} px wide",
        "Go closer: at least {least_px:.0f} px a strand are needed.",
    ),
    "strand_too_small.ends": (
        "the ends on the cut face are too fine to be told apart",
        "Go closer, or photograph one strand cut off and laid alone.",
    ),
    "no_strand_ends": (
        "no strand ends stand out on the cut face",
        "Cut the cable clean, hold the cut face square to the camera, fill a third of the photo"
        " with it, and lay the reference level with the face.",
    ),
}
"""Text and fix by code; names in braces are filled in where the problem arises."""

TELL_WIDTH = ("too_thin_in_photo", "width_unsure")
"""Problems that say how many pixels wide a piece is, by its edges."""

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def problem_of(key: str, **values: object) -> Problem:
    """Return a problem of the catalogue.

    Args:
        key: Its code, with the variant behind a dot.
        values: What its words name in braces.
    """
    return as_problem(photo_error(key, where=None, **values))


def photo_error(key: str, *, where: str | None = None, **values: object) -> PhotoError:
    """Return a problem of the catalogue as an error, where nothing more can be told.

    Args:
        key: Its code, with the variant behind a dot.
        where: Which photo or file.
        values: What its words name in braces.
    """
    text, fix = CATALOGUE[key]
    code, _, variant = key.partition(".")
    return PhotoError(
        text.format(**values), code=code, fix=fix.format(**values), where=where, variant=variant
    )


def as_problem(fault: PhotoError) -> Problem:
    """Return an error as the problem that it is, where the rest of the answer goes on."""
    return Problem(
        code=fault.code, variant=fault.variant, text=sentence(fault.message), fix=fault.fix
    )


def without_numbers(text: str) -> str:
    """Return what two tellings of one problem share, whatever was measured.

    >>> without_numbers("It is 7.1 mm thick.")
    'It is # mm thick.'
    """
    return _NUMBER.sub("#", text)


def joined(alike: Sequence[Problem]) -> Problem:
    """Return one problem of several pieces; a number that they don't share is told as a range.

    Args:
        alike: At least one; their texts differ in numbers alone.
    """
    told = [_NUMBER.findall(problem.text) for problem in alike]
    ranges = iter(_range_words(numbers) for numbers in zip(*told, strict=True))
    return replace(
        alike[0],
        text=_NUMBER.sub(lambda _: next(ranges), alike[0].text),
        pieces=tuple(dict.fromkeys(number for one in alike for number in one.pieces)),
    )


def _range_words(numbers: Sequence[str]) -> str:
    low, high = min(numbers, key=float), max(numbers, key=float)
    return low if low == high else f"{low} to {high}"


def in_words(told: Problem) -> str:
    """Return a problem's text, and before it which pieces have it: "Pieces 1 and 3: …"."""
    return f"{_pieces_words(told.pieces)}: {told.text}" if told.pieces else told.text


def _pieces_words(numbers: Sequence[int]) -> str:
    told = [str(number) for number in numbers]
    if len(told) == 1:
        return f"Piece {told[0]}"
    return f"Pieces {', '.join(told[:-1])} and {told[-1]}"
