"""How a run ends, against what the design promises and POSIX shells say."""

from __future__ import annotations

import signal

from app.exit_codes import EXIT_BROKEN, EXIT_INTERRUPTED, EXIT_OK, EXIT_USAGE, PhotoOutcome


def test_the_codes_are_those_of_the_design() -> None:
    # 0 all graded; 2 wrong usage; 3 a photo could not be read; 4 read, but not measurable.
    assert (EXIT_OK, EXIT_USAGE) == (0, 2)
    assert (PhotoOutcome.GRADED, PhotoOutcome.UNREADABLE, PhotoOutcome.NOT_MEASURABLE) == (0, 3, 4)


def test_an_interrupted_run_ends_as_a_shell_says() -> None:
    # POSIX, Shell Command Language, 2.8.2: over 128 for a signal; by usage 128 and its number.
    assert EXIT_INTERRUPTED == 128 + signal.SIGINT


def test_no_code_stands_for_two_things() -> None:
    codes = [*map(int, PhotoOutcome), EXIT_USAGE, EXIT_BROKEN, EXIT_INTERRUPTED]
    assert len(set(codes)) == len(codes)
