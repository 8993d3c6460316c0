"""Whatever is handed in as a photo gives a whole photo or one typed error, in bounds.

2,000 mutants of seven kinds here; ``make hostile`` runs 10,000 (CUPROSCOPE_HOSTILE=5).
"""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from rules.errors import PhotoError
from tests.hostile import photos
from vision.photo import guarded
from vision.photo.container import MAX_SCANS, check_claims
from vision.photo.loading import load_photo

TIMES = int(os.environ.get("CUPROSCOPE_HOSTILE", "1"))
A_KIND = 286 * TIMES


def refusal(data: bytes) -> str:
    with pytest.raises(PhotoError) as caught:
        load_photo(data, name="piece")
    assert caught.value.where == "piece"
    assert caught.value.fix.endswith(".")
    return caught.value.code


@pytest.mark.parametrize("kind", photos.KINDS)
def test_every_mutant_is_a_whole_photo_or_a_typed_error(
    kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    load_photo(photos.sound(kind), name="piece")  # what is damaged below is sound as it is
    refused = 0
    for data in photos.mutants(kind, A_KIND, seed=1):
        try:
            photo = load_photo(data, name="piece")
        except PhotoError as fault:
            assert fault.code != "internal"
            refused += 1
        else:
            assert photo.rgb.dtype == np.uint8
            assert photo.rgb.shape[2] == 3
    assert refused > A_KIND // 10
    assert capfd.readouterr() == ("", "")  # no decoder talks to the screen


def test_no_png_with_a_changed_byte_in_its_pixels_is_graded() -> None:
    """Its checksums catch every one (W3C, PNG, 5.5); 1,400 of 1,680 once went through."""
    for place in range(0, 10_000, 23):
        assert refusal(photos.png_with_a_changed_pixel_byte(place)) == "damaged"


def test_nor_one_that_still_unpacks() -> None:
    """A larger one, where the packing alone does not tell: the last rows changed unnoticed."""
    rgb = np.random.default_rng(3).integers(0, 256, (100, 100, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(np.kron(rgb, np.ones((2, 2, 1), np.uint8))).save(out, "PNG")
    data = out.getvalue()
    assert load_photo(data, name="piece").width_px == 200
    start = data.index(b"IDAT") + 4
    for place in range(start, len(data) - 16, 61):
        changed = bytearray(data)
        changed[place] = 0 if data[place] else 1
        assert refusal(bytes(changed)) == "damaged"


def test_a_jpeg_of_too_many_scans_is_refused_unopened() -> None:
    assert refusal(photos.jpeg_of_many_scans(MAX_SCANS)) == "too_many_scans"


def test_a_jpeg_of_many_scans_is_decoded_apart_and_given_up_in_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = photos.jpeg_of_many_scans(MAX_SCANS - 20)
    assert guarded.wants_guard(data, scans=check_claims(data, "piece"))
    monkeypatch.setattr(guarded, "LIMIT_S", 0.01)
    assert refusal(data) == "too_slow"


def test_fill_bytes_by_the_megabyte_are_refused() -> None:
    assert refusal(photos.jpeg_of_fill_bytes(24 * 2**20)) == "damaged"
    assert load_photo(photos.jpeg_of_fill_bytes(40), name="piece").width_px == photos.WIDTH


def test_a_header_that_claims_a_large_picture_takes_no_memory() -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert refusal(photos.webp_that_claims(16384, 16384)) == "too_many_pixels"
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 100_000  # kilobytes; 1.1 GB when its decoder was asked first


@pytest.mark.parametrize("size", [(1_875_000, 32), (32, 1_000_000), (2000, 90)])
def test_a_strip_is_no_photo(size: tuple[int, int]) -> None:
    assert refusal(photos.png_of_zeros(*size, bits=1)) == "odd_shape"


def test_a_large_16_bit_picture_is_decoded_apart() -> None:
    data = photos.png_of_zeros(6400, 4800, bits=16)
    assert guarded.wants_guard(data, scans=check_claims(data, "piece"))
    photo = load_photo(data, name="piece")
    assert (photo.width_px, photo.height_px) == (6400, 4800)
    assert photo.notes == ("16-bit grey scaled to 8 bits",)


@pytest.mark.skipif(sys.platform != "linux", reason="the limit is read from /proc")
def test_out_of_memory_is_told_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    script = (
        "import sys; from vision.photo import guarded; guarded.LIMIT_BYTES = 20_000_000; "
        "raise SystemExit(guarded.main())"
    )
    run = subprocess.run
    monkeypatch.setattr(
        subprocess, "run", lambda _, **kw: run([sys.executable, "-c", script], **kw)
    )
    assert refusal(photos.png_of_zeros(6400, 4800, bits=16)) == "out_of_memory"
