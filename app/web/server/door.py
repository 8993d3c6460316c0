"""Who may see the pages when they are open to the home network.

A code from the terminal opens the door once; the browser then carries a token that is
known here by its digest only. Without it nothing of the program is sent, neither pages
nor scripts nor photos.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hashlib import sha256

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""Without 0, O, 1, I and L, which are mixed up when read aloud."""

CODE_LENGTH = 8
"""31 to the 8th is 8.5e11 codes: with ``MAX_TRIES`` a minute, a guess takes ages."""

CODE_LIFE_S = 600.0
"""A code that nobody used is no good after ten minutes; whoever then comes to the door has a
fresh one told in the terminal."""

MAX_TRIES = 5
WINDOW_S = 60.0
"""So many wrong codes from one address in so many seconds close the door for it as long."""

MAX_ADDRESSES = 4096
"""So many addresses are remembered; beyond, who tried longest ago is forgotten."""

MAX_VISITORS = 16
TOKEN_LIFE_S = 12 * 3600.0
"""A working day."""


@dataclass(slots=True, kw_only=True)
class Door:
    """The code that is good now, and the browsers that are in.

    Attributes:
        tell: Called with each new code, to print it.
        clock: Seconds that only ever grow.
    """

    tell: Callable[[str], None] = lambda _: None
    clock: Callable[[], float] = time.monotonic
    _code: str = ""
    _good_until: float = 0.0
    _wrong: dict[str, list[float]] = field(default_factory=dict)
    _inside: dict[str, float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def renew(self) -> str:
        """Make a new code, tell it, and return it."""
        self._code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._good_until = self.clock() + CODE_LIFE_S
        self.tell(self._code)
        return self._code

    def renew_if_old(self) -> None:
        """Make and tell a new code where the one told last is no good any more."""
        with self._lock:
            if self._code and self.clock() > self._good_until:
                self.renew()

    def is_closed(self, address: str) -> bool:
        """Whether too many wrong codes came from an address of late; others don't suffer."""
        now = self.clock()
        late = [at for at in self._wrong.get(address, ()) if now - at < WINDOW_S]
        if late:
            self._wrong[address] = late
        else:
            self._wrong.pop(address, None)
        return len(late) >= MAX_TRIES

    def enter(self, code: str, *, address: str) -> str | None:
        """Return a token for the right code, once; None where it opens nothing."""
        with self._lock:
            if self.is_closed(address) or not self._code or self.clock() > self._good_until:
                return None
            if not hmac.compare_digest(_plain(code).encode(), self._code.encode()):
                self._wrong.setdefault(address, []).append(self.clock())
                while len(self._wrong) > MAX_ADDRESSES:
                    self._wrong.pop(next(iter(self._wrong)))
                return None
            token = secrets.token_urlsafe(32)
            self._inside[_digest(token)] = self.clock() + TOKEN_LIFE_S
            while len(self._inside) > MAX_VISITORS:
                self._inside.pop(next(iter(self._inside)))  # whoever came first
            self.renew()
            return token

    def knows(self, tokens: Iterable[str]) -> bool:
        """Whether one of these tokens was given out here and is still good."""
        return any(self._is_good(token) for token in tokens)

    def _is_good(self, token: str) -> bool:
        digest = _digest(token)
        until = self._inside.get(digest)
        if until is None:
            return False
        if self.clock() > until:
            self._inside.pop(digest, None)
            return False
        return True


def spaced(code: str) -> str:
    """Return a code as it is printed: ``ABCD-EFGH``."""
    return f"{code[: CODE_LENGTH // 2]}-{code[CODE_LENGTH // 2 :]}"


def _plain(code: str) -> str:
    """Read a typed code: small letters, spaces and hyphens don't matter."""
    return "".join(letter for letter in code.upper()[:64] if letter.isalnum())


def _digest(token: str) -> str:
    # Looked up by digest: neither the time of a comparison nor a dump of memory tells a token.
    return sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
