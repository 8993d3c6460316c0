"""How a run ends, for whoever started it: the command's exit codes, as its help tells them."""

from enum import IntEnum

EXIT_OK = 0
EXIT_UNWRITTEN = 1
EXIT_USAGE = 2
EXIT_BROKEN = 5
EXIT_INTERRUPTED = 130
"""128 and the number of SIGINT, as shells have it (POSIX, Shell Command Language, 2.8.2)."""


class PhotoOutcome(IntEnum):
    """How a photo went; the value is the command's exit code."""

    GRADED = EXIT_OK
    UNREADABLE = 3
    NOT_MEASURABLE = 4
