"""Start the pages: for this machine alone, or for the home network behind a code."""

from __future__ import annotations

import socket
import sys
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from app.web.server.door import Door, spaced
from app.web.server.settings import LOOPBACK, apply, settings
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from streamlit import App

DEFAULT_PORT = 8757
MORE_PORTS = 20
"""So many further ports are tried where the usual one is taken."""


def serve(*, lan: bool = False, port: int | None = None) -> None:
    """Serve the pages until they are stopped.

    Args:
        lan: Listen on the home network too, behind a one-time code.
        port: Port to listen on; None takes the usual one, or the next that is free.

    Raises:
        CuproscopeError: The port is taken, or there is no network to serve.
    """
    address = network_address() if lan else "127.0.0.1"
    listener = listen("0.0.0.0" if lan else "127.0.0.1", port)
    number = listener.getsockname()[1]
    apply(settings(hosts=(*LOOPBACK, address) if lan else LOOPBACK))
    door = Door(tell=lambda code: _print_code(address, number, code)) if lan else None

    import uvicorn

    from app.web.server.warm import warm_up

    app = application(door)
    config = uvicorn.Config(
        app, log_level="error", access_log=False, server_header=False, use_colors=False
    )
    if door is None:
        _say(f"The pages are at http://localhost:{number}   (this machine only; Ctrl+C stops them)")
    else:
        door.renew()
    warm_up()
    uvicorn.Server(config).run(sockets=[listener])


def application(door: Door | None) -> App:
    """Return the server's application, behind the door where there is one."""
    import streamlit
    from starlette.middleware import Middleware

    from app.web.server.gate import Gate

    script = Path(str(files("app.web.script").joinpath("cuproscope_pages.py")))
    behind = [] if door is None else [Middleware(Gate, door=door)]
    return streamlit.App(script, middleware=behind)


def listen(host: str, port: int | None) -> socket.socket:
    """Return a socket that listens, on the port asked for or the first that is free.

    Raises:
        CuproscopeError: None of the ports is free.
    """
    ports = range(DEFAULT_PORT, DEFAULT_PORT + MORE_PORTS) if port is None else (port,)
    for number in ports:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":  # there it would share a port that is in use
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, number))
        except OSError:
            listener.close()
        else:
            listener.listen(64)
            return listener
    raise CuproscopeError(
        f"port {port} is taken; name another one with --port"
        if port is not None
        else "no free port found; name one with --port"
    )


def network_address() -> str:
    """Return this machine's address on the home network; no packet is sent for it.

    Raises:
        CuproscopeError: There is no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # 192.0.2.0/24 is kept for documents (RFC 5737): connecting a datagram socket only
            # looks up which of our addresses would be used.
            probe.connect(("192.0.2.1", 9))
        except OSError as fault:
            raise CuproscopeError("this machine is on no network") from fault
        return str(probe.getsockname()[0])


def qr_text(link: str, *, is_plain: bool) -> str:
    """Return a QR code to print; ``is_plain`` where the terminal has no block letters."""
    import io

    import segno

    code = segno.make(link, error="m", micro=False)
    if is_plain:
        rows = code.matrix_iter(border=2)
        return "\n".join("".join("  " if dark else "##" for dark in row) for row in rows)
    text = io.StringIO()
    code.terminal(text, border=2, compact=True)
    return text.getvalue().rstrip("\n")


def _print_code(address: str, port: int, code: str) -> None:
    link = f"http://{address}:{port}/?code={code}"
    encoding = (sys.stdout.encoding or "ascii").lower().replace("-", "")
    _say(
        f"\nOpen on the phone (same network): http://{address}:{port}\n"
        f"Code, good for one browser: {spaced(code)}\n\n"
        f"{qr_text(link, is_plain=not encoding.startswith('utf'))}\n\n"
        "Whoever has the code sees the pages and the records. Nothing is encrypted on its way:\n"
        "use it in a network you trust. Ctrl+C stops the pages."
    )


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
