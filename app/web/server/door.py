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
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""Without 0, O, 1, I and L, which are mixed up when read aloud."""

CODE_LENGTH = 8
"""31 to the 8th is 8.5e11 codes: with ``MAX_TRIES`` a minute, a guess takes ages."""

MAX_TRIES = 5
WINDOW_S = 60.0
"""So many wrong codes in so many seconds close the door for everybody for as long."""

TRIES_OF_ONE_CODE = 20
"""After so many wrong codes a new one is made, and the old one opens nothing."""

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
    _wrong: list[float] = field(default_factory=list)
    _wrong_of_code: int = 0
    _inside: dict[str, float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def renew(self) -> str:
        """Make a new code, tell it, and return it."""
        self._code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._wrong_of_code = 0
        self.tell(self._code)
        return self._code

    @property
    def is_closed(self) -> bool:
        """Whether too many wrong codes came of late."""
        now = self.clock()
        self._wrong = [at for at in self._wrong if now - at < WINDOW_S]
        return len(self._wrong) >= MAX_TRIES

    def enter(self, code: str) -> str | None:
        """Return a token for the right code, once; None where it opens nothing."""
        with self._lock:
            if self.is_closed or not self._code:
                return None
            if not hmac.compare_digest(_plain(code).encode(), self._code.encode()):
                self._wrong.append(self.clock())
                self._wrong_of_code += 1
                if self._wrong_of_code >= TRIES_OF_ONE_CODE:
                    self.renew()
                return None
            token = secrets.token_urlsafe(32)
            self._inside[_digest(token)] = self.clock() + TOKEN_LIFE_S
            while len(self._inside) > MAX_VISITORS:
                self._inside.pop(next(iter(self._inside)))  # whoever came first
            self.renew()
            return token

    def knows(self, token: str | None) -> bool:
        """Whether a token was given out here and is still good."""
        if not token:
            return False
        until = self._inside.get(_digest(token))
        if until is None:
            return False
        if self.clock() > until:
            self._inside.pop(_digest(token), None)
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
    return sha256(token.encode()).hexdigest()
