"""Start the pages: for this machine alone, or for the home network behind a code."""

from __future__ import annotations

import signal
import socket
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from app.records.database import default_folder
from app.web.desk.inbox import empty, tidy_on_time
from app.web.desk.state import inbox_folder
from app.web.server.certificate import Certificate, certificate_for
from app.web.server.door import CODE_LIFE_S, Door, spaced
from app.web.server.settings import LOOPBACK, apply, settings
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from streamlit import App

DEFAULT_PORT = 8757
MORE_PORTS = 20
"""So many further ports are tried where the usual one is taken."""

LAST_ANSWERS_S = 5
"""So long a server that was told to end waits for the answers on their way."""


def serve(*, lan: bool = False, plain: bool = False, port: int | None = None) -> None:
    """Serve the pages until they are stopped.

    Args:
        lan: Listen on the home network too, behind a one-time code and over TLS.
        plain: Without TLS on the home network.
        port: Port to listen on; None takes the usual one, or the next that is free.

    Raises:
        CuproscopeError: The port is taken, or there is no network to serve.
    """
    address = network_address() if lan else "127.0.0.1"
    listener = listen("0.0.0.0" if lan else "127.0.0.1", port)
    number = listener.getsockname()[1]
    certificate = None
    if lan and not plain:
        certificate = certificate_for(address, folder=default_folder() / "tls")
    hosts = (*LOOPBACK, address) if lan else LOOPBACK
    apply(settings(hosts=hosts, certificate=None if certificate is None else certificate.path))
    door = None
    if lan:
        door = Door(tell=lambda code: _print_code(address, number, code, certificate))

    import uvicorn

    from app.web.server.warm import warm_up
    from app.web.server.whole_presses import keep_presses_whole

    keep_presses_whole()

    app = application(door, hosts=hosts, port=number, is_secure=certificate is not None)
    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        server_header=False,
        use_colors=False,
        proxy_headers=False,  # nobody stands before us: who says otherwise wants another address
        ssl_certfile=None if certificate is None else certificate.path,
        timeout_graceful_shutdown=LAST_ANSWERS_S,
    )
    with _inbox_for_now(inbox_folder()):
        if door is None:
            _say(
                f"The pages are at http://localhost:{number}   (this machine only; Ctrl+C stops "
                "them)"
            )
        else:
            door.renew()
        warm_up()
        uvicorn.Server(config).run(sockets=[listener])


@contextmanager
def _inbox_for_now(folder: Path) -> Iterator[None]:
    """Keep the inbox for as long as the server runs, however it is ended but by force.

    What was left by one that was killed goes first.
    """

    def end(number: int, _: object) -> None:
        raise SystemExit(128 + number)

    def hang_up(_: int, __: object) -> None:
        # The server takes SIGTERM over and closes what it opened; an exception from here would
        # break its loop off, and a worker thread that nobody stops keeps the process alive.
        signal.raise_signal(signal.SIGTERM)

    # Unhandled these would end the process on the spot; SIGHUP: the terminal was closed.
    signal.signal(signal.SIGTERM, end)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, hang_up)
    empty(folder)
    is_over = tidy_on_time(folder)
    try:
        yield
    finally:
        is_over.set()
        empty(folder)


def application(
    door: Door | None, *, hosts: Sequence[str], port: int, is_secure: bool = False
) -> App:
    """Return the server's application, behind the door where there is one.

    Args:
        door: Who may come in; None lets in whoever reaches this machine's own address.
        hosts: Names and addresses under which the pages may be asked for.
        port: Where it listens.
        is_secure: Whether over TLS.
    """
    import streamlit
    from starlette.middleware import Middleware

    from app.web.desk.uploads import UploadCap
    from app.web.server.gate import Gate, cookie_name
    from app.web.server.origin import OwnOrigin

    script = Path(str(files("app.web.script").joinpath("cuproscope_pages.py")))
    layers = [Middleware(OwnOrigin, hosts=hosts)]
    if door is not None:
        cookie = cookie_name(port, is_secure=is_secure)
        layers.append(Middleware(Gate, door=door, cookie=cookie))
    layers.append(Middleware(UploadCap))
    return streamlit.App(script, middleware=layers)


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


def _print_code(address: str, port: int, code: str, certificate: Certificate | None) -> None:
    start = f"{'http' if certificate is None else 'https'}://{address}:{port}"
    link = f"{start}/?code={code}"
    encoding = (sys.stdout.encoding or "ascii").lower().replace("-", "")
    _say(
        f"\nOpen on the phone (same network): {start}\n"
        f"Code, good for one browser and {CODE_LIFE_S / 60:.0f} minutes: {spaced(code)}\n\n"
        f"{qr_text(link, is_plain=not encoding.startswith('utf'))}\n\n"
        "Whoever has the code sees the pages and the records.\n"
        f"{_how_safe(certificate)} Ctrl+C stops the pages."
    )


def _how_safe(certificate: Certificate | None) -> str:
    if certificate is None:
        return "Nothing is encrypted on its way: use it in a network you trust."
    half = len(certificate.fingerprint) // 2
    return (
        "The browser warns once, as nobody else vouches for this computer. Go on only if the\n"
        "certificate that it shows has this SHA-256 fingerprint:\n"
        f"  {certificate.fingerprint[:half]}\n  {certificate.fingerprint[half + 1 :]}\n"
    )


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
