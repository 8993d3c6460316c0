"""What a page remembers of one visitor: small things only, under keys of our own.

The server drops the values of a page's inputs when another page is opened; what must
outlive that lies here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from app.web.desk.again import Taps
from app.web.desk.inbox import Kept
from app.web.desk.stated import Stated

KEY = "cuproscope"
LOAD_KEY = "load-name"
"""Under this name :attr:`Visit.seen` holds which load is looked at."""


@dataclass(slots=True, kw_only=True)
class Visit:
    """One visitor's desk.

    Attributes:
        photos: The photos in hand, in the order they came.
        shown: Which of them is looked at.
        stated: What the person says of the pieces on them.
        taps: What the person tapped, by photo.
        flash: The second photo with the flash, by the first.
        rounds: How often the uploader was emptied; its key, so that it lets go.
        faults: What was wrong with the files handed in last, in words.
        saved: Records made from a photo's pieces, by photo.
        seen: Anything else that a page must find again, by name.
    """

    photos: list[Kept] = field(default_factory=list)
    shown: int = 0
    stated: Stated = field(default_factory=Stated)
    taps: dict[str, Taps] = field(default_factory=dict)
    flash: dict[str, Kept] = field(default_factory=dict)
    rounds: int = 0
    faults: list[str] = field(default_factory=list)
    saved: dict[str, list[str]] = field(default_factory=dict)
    seen: dict[str, object] = field(default_factory=dict)

    def put(self, photo: Kept) -> None:
        """Take a photo in hand and look at it; one that is there already is not doubled."""
        if photo not in self.photos:
            self.photos.append(photo)
        self.shown = self.photos.index(photo)

    def drop(self, photo: Kept) -> None:
        """Lay a photo aside."""
        if photo in self.photos:
            self.photos.remove(photo)
        self.taps.pop(photo.sha256, None)
        self.flash.pop(photo.sha256, None)
        self.shown = max(0, min(self.shown, len(self.photos) - 1))

    def lay_all_aside(self) -> None:
        """Let go of every photo and of what was made of them."""
        self.photos.clear()
        self.taps.clear()
        self.flash.clear()
        self.saved.clear()
        self.seen.clear()
        self.shown = 0
        self.rounds += 1

    @property
    def photo(self) -> Kept | None:
        """The photo that is looked at."""
        return self.photos[self.shown] if self.photos else None


def visit() -> Visit:
    """Return the visitor's desk."""
    import streamlit as st

    if KEY not in st.session_state:
        st.session_state[KEY] = Visit()
    found: Visit = st.session_state[KEY]
    return found


def inbox_folder() -> Path:
    """Return the folder where photos lie until they are saved."""
    from app.records.database import default_folder

    return default_folder() / "inbox"
