"""What can go wrong with the records, each with what to do about it.

* RecordsError           catch this at the edge (page, command line)
  - NoSuchRecordError    it was deleted, perhaps in another window
  - PhotoLostError       a stored photo is gone or no longer what it was
  - BadArchiveError      a file that was to be imported is not one of ours, or unsafe
  - NewerStoreError      the records were written by a newer version of the program
"""

from __future__ import annotations

from rules.errors import CuproscopeError


class RecordsError(CuproscopeError):
    """The records can't do what was asked.

    Attributes:
        fix: What the person can do about it, in plain words.
    """

    def __init__(self, message: str, *, fix: str = "", where: str | None = None) -> None:
        super().__init__(message, where=where)
        self.fix = fix


class NoSuchRecordError(RecordsError):
    """There is no such piece, buyer or photo."""


class PhotoLostError(RecordsError):
    """A stored photo is missing, or its bytes no longer have the hash they were stored under."""


class BadArchiveError(RecordsError):
    """A file to import is damaged, unsafe or not an export of this program."""


class NewerStoreError(RecordsError):
    """The records were written by a newer version of the program."""
