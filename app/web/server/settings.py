"""How the page server is set: nothing leaves the machine, uploads are capped, own colours.

Everything is set by the program, which wins over any settings file the person may have
for other programs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from vision.photo.loading import MAX_BYTES

MAX_UPLOAD_MB = MAX_BYTES // 2**20
"""The cap of ``vision.photo.loading``: what is larger is not read anyway."""

LOOPBACK = ("127.0.0.1", "localhost", "::1")

_LIGHT = {
    "primaryColor": "#2F587F",
    "backgroundColor": "#F7F5F0",
    "secondaryBackgroundColor": "#ECE8DF",
    "textColor": "#222226",
    "linkColor": "#2F587F",
    "borderColor": "#CFC8BA",
}
_DARK = {
    "primaryColor": "#8DB6DC",
    "backgroundColor": "#1B1C20",
    "secondaryBackgroundColor": "#282A30",
    "textColor": "#F0EDE6",
    "linkColor": "#8DB6DC",
    "borderColor": "#4A4D55",
}
_SHARED = {
    "baseFontSize": 18,
    "baseRadius": "0.7rem",
    "buttonRadius": "0.7rem",
    "showWidgetBorder": True,
    "headingFontSizes": ["2rem", "1.5rem", "1.25rem", "1.1rem", "1rem", "1rem"],
}


def settings(
    *, hosts: Sequence[str] = LOOPBACK, certificate: Path | None = None
) -> dict[str, object]:
    """Return the server's options by dotted name.

    Args:
        certificate: The server's certificate, None without TLS: cookies then say so.
        hosts: Names under which the pages may be asked for; others are refused, so that
            a foreign web page can't reach in under a name of its own (DNS rebinding).
    """
    theme = {f"theme.{name}": value for name, value in _SHARED.items()}
    theme |= {f"theme.light.{name}": value for name, value in _LIGHT.items()}
    theme |= {f"theme.dark.{name}": value for name, value in _DARK.items()}
    return {
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        # Otherwise a press that a later one overtakes before its run has begun is dropped.
        "runner.fastReruns": False,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.runOnSave": False,
        "server.enableStaticServing": False,
        "server.enableXsrfProtection": True,
        "server.enableCORS": True,
        "server.enableAgentApi": False,
        "server.maxUploadSize": MAX_UPLOAD_MB,
        "server.allowedHosts": list(hosts),
        "logger.level": "error",
        **({} if certificate is None else {"server.sslCertFile": str(certificate)}),
        **theme,
    }


def apply(options: Mapping[str, object]) -> None:
    """Set the server's options; they win over any settings file of the person's own.

    Environment variables would not do: only the server's own command line reads them.
    """
    from streamlit.web.bootstrap import load_config_options

    load_config_options(dict(options))
