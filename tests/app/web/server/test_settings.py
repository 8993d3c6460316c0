"""How the page server is set: Streamlit knows each option, and the colours can be read."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.config import get_config_options

from app.web.server.settings import MAX_UPLOAD_MB, settings
from vision.photo.loading import MAX_BYTES

OPTIONS = settings()


@pytest.mark.parametrize("name", sorted(OPTIONS))
def test_streamlit_knows_the_option(name: str) -> None:
    """A word it does not know would be passed over in silence."""
    assert name in get_config_options()


def test_nothing_is_told_to_anybody() -> None:
    assert OPTIONS["browser.gatherUsageStats"] is False
    assert OPTIONS["client.showErrorDetails"] == "none"
    assert OPTIONS["server.enableXsrfProtection"] is True
    assert OPTIONS["server.allowedHosts"] == ["127.0.0.1", "localhost", "::1"]
    assert OPTIONS["server.enableStaticServing"] is False


def test_an_upload_ends_where_reading_does() -> None:
    assert MAX_UPLOAD_MB * 2**20 == MAX_BYTES
    assert OPTIONS["server.maxUploadSize"] == MAX_UPLOAD_MB


def test_a_certificate_is_set_where_there_is_one() -> None:
    assert "server.sslCertFile" not in OPTIONS
    assert settings(certificate=Path("a.pem"))["server.sslCertFile"] == "a.pem"


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of the term)."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of the term)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["backgroundColor", "secondaryBackgroundColor"])
def test_text_and_links_can_be_read_on_either_ground(theme: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 7 to 1, its better grade, for what is read most."""
    told = {name: str(OPTIONS[f"theme.{theme}.{name}"]) for name in (ground, "textColor")}
    assert contrast(told["textColor"], told[ground]) >= 7
    for name in ("linkColor", "primaryColor"):
        assert contrast(str(OPTIONS[f"theme.{theme}.{name}"]), told[ground]) >= 4.5


def test_the_formula_is_that_of_the_standard() -> None:
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)  # its known example
