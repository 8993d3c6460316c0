import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import PhotoError
from vision.reference import references
from vision.reference.coin.kinds import COIN_KEYS, NOT_USABLE, coin
from vision.reference.references import parse_reference, reference_name


def test_card_has_the_size_of_the_standard() -> None:
    # ISO/IEC 7810:2003, ID-1 (as quoted on an encyclopedia page)
    assert pytest.approx(85.60) == references.CARD_WIDTH_MM
    assert pytest.approx(53.98) == references.CARD_HEIGHT_MM
    assert pytest.approx(3.18) == references.CARD_RADIUS_MM
    assert pytest.approx(0.76) == references.CARD_THICKNESS_MM


def test_card_limits_become_standard_uncertainties() -> None:
    # Limits of an unused card, from memory; rectangular: half width over root 3
    # (JCGM 100:2008, 4.3.7): 0.125 mm / 1.732 = 0.0722 mm.
    assert pytest.approx(0.0722, abs=1e-4) == references.U_CARD_WIDTH_REL * 85.60
    assert pytest.approx(0.0318, abs=1e-4) == references.U_CARD_HEIGHT_REL * 53.98


@pytest.mark.parametrize(
    ("typed", "kind", "size"),
    [
        ("auto", "auto", None),
        ("Card", "card", None),
        ("sheet", "sheet", None),
        ("marker:40", "marker", 40.0),
        ("marker:24.5", "marker", 24.5),
        ("marker:24.5mm", "marker", 24.5),
        ("eu-1c", "coin", None),
    ],
)
def test_keys_are_read_as_typed(typed: str, kind: str, size: float | None) -> None:
    key = parse_reference(typed)
    assert (key.kind, key.size_mm) == (kind, size)


@pytest.mark.parametrize(
    "typed", ["marker", "marker:", "marker:x", "marker:0", "marker:-4", "marker:nan", "marker:1e9"]
)
def test_a_marker_without_a_sensible_size_is_refused(typed: str) -> None:
    with pytest.raises(PhotoError) as caught:
        parse_reference(typed)
    assert caught.value.code == "unknown_reference"
    assert "marker:40" in caught.value.fix


@given(st.text(max_size=30))
def test_whatever_is_typed_is_a_key_or_one_typed_error(typed: str) -> None:
    for words in (typed, f"marker:{typed}"):
        try:
            key = parse_reference(words)
        except PhotoError as fault:
            assert fault.code == "unknown_reference" and fault.fix
        else:
            assert key.kind in ("auto", "sheet", "card", "marker", "coin")
            assert (key.size_mm is not None) is (key.kind == "marker")


@given(st.floats(5.0, 300.0))
def test_a_markers_side_is_read_back_as_typed(side_mm: float) -> None:
    assert parse_reference(f"marker:{side_mm!r}").size_mm == side_mm
    assert parse_reference(f" MARKER:{side_mm!r}mm ").size_mm == side_mm


@pytest.mark.parametrize(
    ("typed", "taken"), [("4.9", False), ("5", True), ("300", True), ("301", False)]
)
def test_the_limits_of_a_markers_side_are_its_own(typed: str, *, taken: bool) -> None:
    if taken:
        assert parse_reference(f"marker:{typed}").size_mm == float(typed)
    else:
        with pytest.raises(PhotoError):
            parse_reference(f"marker:{typed}")


@pytest.mark.parametrize("typed", ["marker:15", "marker:15.0", "marker:15mm", " MARKER:15MM"])
def test_a_marker_is_called_by_its_side_however_it_was_typed(typed: str) -> None:
    assert reference_name(parse_reference(typed).key) == "15 mm marker"


def test_a_coin_is_called_as_the_page_offers_it() -> None:
    for key in set(COIN_KEYS) - set(NOT_USABLE):
        assert reference_name(key) == f"{coin(key).name} coin"


def test_a_measured_print_is_surer_than_an_unmeasured_one() -> None:
    # 0.15 mm of a 50 mm bar are 0.3 %; rectangular limits of the thickness by JCGM 100, 4.3.7.
    assert pytest.approx(0.15 / 50) == references.U_PRINT_MEASURED_REL
    assert references.U_PRINT_MEASURED_REL < references.U_PRINT_REL
    assert pytest.approx(0.08 / 3**0.5) == references.U_CARD_THICKNESS_MM
