"""The command line: ``cuproscope grade PHOTO...``, ``sheet OUT.pdf``, ``app`` and ``load``.

Thin: it checks what was typed, calls :mod:`app.grading`, and prints. Exit codes: 0 all
graded; 1 graded, but something could not be written; 2 wrong usage, nothing done; 3 at least
one photo could not be read; 4 all read, but at least one not measurable; 5 a part of the
program is missing. What takes long to import is imported when it is needed.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from app.exit_codes import (
    EXIT_BROKEN,
    EXIT_INTERRUPTED,
    EXIT_OK,
    EXIT_UNWRITTEN,
    EXIT_USAGE,
    PhotoOutcome,
)
from rules.errors import CuproscopeError, InstallError

if TYPE_CHECKING:
    from app.grading import Result
    from app.request import Request
    from rules.typed import TypedPiece

DEBUG_VARIABLE = "CUPROSCOPE_DEBUG"

_FIRST_STEPS = """\
first steps
  cuproscope grade photo.jpg               a bank card lies beside the piece
  cuproscope grade photos/ --overlay out   a folder, the answers drawn into out/
  cuproscope app                           the same and more in the browser
  cuproscope grade --help                  everything that can be said of a photo
"""

_EPILOG = """\
reference keys
  auto        the printed sheet, else a bank card (default)
  sheet       the project's own sheet: cuproscope sheet sheet.pdf
  card        any bank or identity card (ISO/IEC 7810 ID-1)
  marker:MM   one DICT_4X4_50 ArUco marker, its black square MM wide
  us-1c us-5c us-10c us-25c ca-25c eu-1c ... eu-50c eu-1 eu-2 gb-1p ...  a coin

exit codes
  0 all graded   1 graded, not all written   2 wrong usage, nothing done
  3 a photo could not be read   4 read, but at least one not measurable
  5 a part of the program is missing or damaged: install it again
"""

_FACTS = (
    "state what a photo can't show; may be repeated: magnet=sticks|free, cut_end=copper|other, "
    "weight_kg=NUMBER; motor_wire, oil, paint, enamel or insulation =yes|no; source= house_wiring, "
    "plumbing, cord_cable, motor_transformer, appliance or outdoors"
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    parser = _parser()
    _refuse_broken_letters(parser, sys.argv[1:] if argv is None else argv)
    arguments, unknown = parser.parse_known_args(argv)
    if unknown:
        _refuse_unknown(getattr(arguments, "parser", parser), unknown[0])
    debug = arguments.debug or bool(os.environ.get(DEBUG_VARIABLE))
    logging.basicConfig(level=logging.DEBUG if debug else logging.CRITICAL, format="%(message)s")
    _never_fail_on_a_letter()
    try:
        code: int = arguments.run(arguments)
        sys.stdout.flush()
        return code
    except CuproscopeError as fault:
        if debug:
            logging.exception("stopped")
        # Photos' and records' errors say what to do.
        fix = getattr(fault, "fix", "")
        print(f"{parser.prog}: {fault}. {fix}".replace("..", ".").rstrip(), file=sys.stderr)
        return EXIT_BROKEN if isinstance(fault, InstallError) else EXIT_USAGE
    except BrokenPipeError:
        # Whoever read our output has gone; let the interpreter close a pipe that takes it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PhotoOutcome.UNREADABLE
    except KeyboardInterrupt:
        print(f"{parser.prog}: stopped", file=sys.stderr)
        return EXIT_INTERRUPTED


def _refuse_unknown(parser: argparse.ArgumentParser, word: str) -> NoReturn:
    """Refuse an option or a word too many, with the option that was likely meant."""
    options = re.findall(r"--[a-z-]+", parser.format_usage())
    near = get_close_matches(word.partition("=")[0], options, n=1)
    parser.error(f"can't place {word!r}" + (f"; did you mean {near[0]}?" if near else ""))


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in a line or two; without a command, what there is."""

    def error(self, message: str) -> NoReturn:
        if message.endswith("required: COMMAND"):
            self.print_help(sys.stderr)
            self.exit(EXIT_USAGE)
        told = message.removeprefix("argument ")
        word = re.match(r"COMMAND: invalid choice: '(.*)' \(choose from (.*)\)$", told)
        if word is not None:
            told = f"there is no command {word[1]!r}, only {word[2].replace(chr(39), '')}."
            if Path(word[1]).suffix or Path(word[1]).exists():
                told += f" To grade photos: {self.prog} grade {word[1]}"
        self.exit(EXIT_USAGE, f"{self.prog}: {told}\nMore: {self.prog} --help\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="cuproscope",
        description="Tell the price grade of scrap copper from phone photos.",
        epilog=_FIRST_STEPS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version)
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    grade = commands.add_parser(
        "grade",
        help="grade the pieces on photos",
        description="Grade the pieces on photos (files, folders or patterns).",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    grade.add_argument("photos", nargs="*", metavar="PHOTO", help="photo, folder or pattern")
    grade.add_argument(
        "--reference", default="auto", metavar="KEY", help="what lies beside the piece"
    )
    grade.add_argument(
        "--check-bar",
        type=_check_bar_mm,
        metavar="MM",
        help="measured length of the printed sheet's 50 mm bar",
    )
    grade.add_argument(
        "--form",
        choices=("wire", "stranded", "tube", "sheet", "other", "cut_end"),
        help="state the form; cut_end: the photo looks onto a cable's cut end",
    )
    grade.add_argument(
        "--fact", action="append", default=[], metavar="NAME=VALUE", dest="facts", help=_FACTS
    )
    grade.add_argument(
        "--sheet",
        default="house",
        metavar="NAME|FILE",
        help="rule sheet: house (default), circular-2017, circular-before-2017, or a file",
    )
    grade.add_argument(
        "--findings", type=Path, metavar="FILE.toml", help="grade findings typed by hand as well"
    )
    grade.add_argument(
        "--flash",
        type=Path,
        metavar="PHOTO",
        help="the same pieces, untouched, with the phone's flash on: it tells a coat from bare "
        "metal; in a folder such pairs are found by the time they were taken",
    )
    grade.add_argument("--json", action="store_true", help="one line of JSON a photo")
    grade.add_argument(
        "--overlay", type=Path, metavar="DIR", help="draw each photo's answer into DIR"
    )
    grade.add_argument(
        "--details", action="store_true", help="tell each piece in full where there are many"
    )
    from app.folder.command import add_folder_options

    add_folder_options(grade)
    _add_debug(grade)
    grade.set_defaults(run=_grade, parser=grade)

    sheet = commands.add_parser(
        "sheet",
        help="write the printed reference sheet",
        description="Write the reference sheet as PDF. Print it at 100 % and check its bar.",
    )
    sheet.add_argument("out", type=Path, metavar="OUT.pdf")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4")
    _add_debug(sheet)
    sheet.set_defaults(run=_write_printed_sheet, parser=sheet)

    pages = commands.add_parser(
        "app",
        help="open the pages: grade, second opinion, practice, records",
        description="Serve the pages to this machine's browser; nothing leaves the machine.",
    )
    pages.add_argument(
        "--lan",
        action="store_true",
        help="let phones on the home network in, each with a one-time code, over TLS",
    )
    pages.add_argument(
        "--plain", action="store_true", help="with --lan: without TLS, readable on its way"
    )
    pages.add_argument("--port", type=_port, metavar="PORT", help="listen on this port")
    _add_debug(pages)
    pages.set_defaults(run=_app, parser=pages)

    from app.load.cli import add_parser as add_load_parser

    add_load_parser(commands)

    completion = commands.add_parser(
        "completion",
        help="print the shell's completion script",
        description='Print a completion script: eval "$(cuproscope completion bash)"',
    )
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"))
    _add_debug(completion)
    completion.set_defaults(run=_completion)
    return parser


def _add_debug(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--debug", action="store_true", help=f"show what went wrong inside (or {DEBUG_VARIABLE}=1)"
    )


class _Version(argparse.Action):
    """Prints the version; looked up only when asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str) -> None:
        super().__init__(option_strings, dest, nargs=0, help="show the version and stop")

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import PackageNotFoundError, version

        try:
            print(f"{parser.prog} {version('cuproscope')}")
        except PackageNotFoundError:
            print(f"{parser.prog} (not installed)")
        parser.exit(EXIT_OK)


def _grade(arguments: argparse.Namespace) -> int:
    from app.grading import grade_photo, grade_typed
    from app.pairing import pairs_in
    from app.progress import progress
    from models.loader import check
    from vision.photo.loading import find_photos

    request = _request(arguments)
    if not arguments.photos and arguments.findings is None:
        raise CuproscopeError("name at least one photo, folder or pattern (see --help)")
    if arguments.photos:
        check()
    named = find_photos(arguments.photos)
    if arguments.flash is not None and len(named) != 1:
        raise CuproscopeError("goes with one photo, the same pieces without it", where="--flash")
    typed = _typed(arguments.findings)
    if arguments.jobs is not None or arguments.out is not None or arguments.cluster is not None:
        from app.folder.command import grade_whole_folder

        if arguments.flash is not None:
            raise CuproscopeError("--flash doesn't go with --jobs, --out or --cluster")
        return grade_whole_folder(arguments, request)
    if arguments.overlay is not None:
        _check_writable(arguments.overlay)
    printer = _Printer(arguments, request)
    pairs = pairs_in(named)
    with progress(named) as (photos, pause):
        for path in photos:
            flash = arguments.flash or pairs.get(path)
            result = grade_photo(path, request, flash=flash, guessed=arguments.flash is None)
            with pause():
                printer.show(result)
    if typed is not None:
        printer.show(grade_typed(typed, request, name=arguments.findings.name))
    printer.close()
    return EXIT_UNWRITTEN if printer.unwritten else _exit_code(printer.outcomes)


def _request(arguments: argparse.Namespace) -> Request:
    """Return what was asked for, all of it checked before the first photo is opened."""
    from app.request import CHECK_BAR_MM, Request, reference_key
    from rules.sheet import load_sheet
    from rules.typed import facts_from

    return Request(
        sheet=load_sheet(arguments.sheet),
        reference=reference_key(arguments.reference),
        form=arguments.form,
        facts=facts_from(arguments.facts),
        print_scale=1.0 if arguments.check_bar is None else arguments.check_bar / CHECK_BAR_MM,
    )


def _check_bar_mm(text: str) -> float:
    """Read the measured bar; a printer that is off by a tenth was set to fit the page."""
    from app.request import CHECK_BAR_MM

    try:
        length_mm = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no length in mm") from None
    if not 0.9 * CHECK_BAR_MM <= length_mm <= 1.1 * CHECK_BAR_MM:
        raise argparse.ArgumentTypeError(
            f"{text} mm: the bar should be near {CHECK_BAR_MM:g} mm; print the sheet at 100 %"
        )
    return length_mm


def _typed(path: Path | None) -> tuple[TypedPiece, ...] | None:
    from rules.typed import load_findings

    return None if path is None else load_findings(path)


class _Printer:
    """Shows results one by one, each whole or not at all, and remembers how they went."""

    def __init__(self, arguments: argparse.Namespace, request: Request) -> None:
        self.request = request
        self.is_json: bool = arguments.json
        self.details: bool = arguments.details
        self.folder: Path | None = arguments.overlay
        self.outcomes: list[PhotoOutcome] = []
        self.results: list[Result] = []
        self.taken: set[str] = set()
        self.unwritten = False

    def show(self, result: Result) -> None:
        drawn = self._draw(result)
        if self.is_json:
            from app.json_lines import as_line

            text = as_line(result) + "\n"
        else:
            from app.report import as_text

            text = as_text(result, self.request.sheet, details=self.details)
            text += f"overlay    {drawn}\n" if drawn is not None else ""
            text = ("\n" if self.outcomes else "") + text
            self.results.append(replace(result, examination=None, pieces=()))  # without the pixels
        sys.stdout.write(text)
        sys.stdout.flush()
        self.outcomes.append(result.outcome)

    def close(self) -> None:
        """Say once, after all photos, what can hurt; JSON says it with each photo."""
        if not self.is_json:
            from app.report import cautions_text

            text = cautions_text(self.results)
            sys.stdout.write(f"\n{text}" if text else "")

    def _draw(self, result: Result) -> Path | None:
        if self.folder is None or result.examination is None:
            return None
        from app.files import safe_stem
        from app.overlays import write_overlay

        stem = safe_stem(result.name, taken=self.taken)
        self.taken.add(stem.lower())
        path = self.folder / f"{stem}.cuproscope.jpg"
        try:
            write_overlay(path, result, self.request.sheet)
        except OSError as fault:
            # The answers are worth having without their pictures; exit code 2 would say that
            # nothing was done.
            self.unwritten = True
            print(f"{path}: can't be written: {fault.strerror or fault}", file=sys.stderr)
            return None
        return path


def _check_writable(folder: Path) -> None:
    """Refuse a folder that can't be written to before the first photo is opened."""
    import tempfile

    if folder.is_file():
        raise CuproscopeError("is a file; name a folder to draw into", where=str(folder))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        raise CuproscopeError(
            f"can't be written to: {fault.strerror or fault}", where=str(folder)
        ) from fault


def _exit_code(outcomes: Sequence[PhotoOutcome]) -> int:

    for outcome in (PhotoOutcome.UNREADABLE, PhotoOutcome.NOT_MEASURABLE):
        if outcome in outcomes:
            return int(outcome)
    return EXIT_OK


def _write_printed_sheet(arguments: argparse.Namespace) -> int:
    from app.files import write_bytes_whole
    from app.printed_sheet import printed_sheet_pdf

    try:
        write_bytes_whole(arguments.out, printed_sheet_pdf(arguments.paper))
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(arguments.out)) from fault
    print(f"{arguments.out}: print at 100 %, then check that the bar is 50.0 mm long.")
    return EXIT_OK


def _completion(arguments: argparse.Namespace) -> int:
    import shtab

    sys.stdout.write(shtab.complete(_parser(), arguments.shell) + "\n")
    return EXIT_OK


def _port(text: str) -> int:
    """Read a port; those under 1024 belong to the system, 0 takes any that is free."""
    number = int(text) if text.isascii() and text.isdigit() else -1
    if number != 0 and not 1024 <= number <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port from 1024 to 65535")
    return number


def _app(arguments: argparse.Namespace) -> int:
    from app.web.server.serve import serve

    serve(lan=arguments.lan, plain=arguments.plain, port=arguments.port)
    return EXIT_OK


def _refuse_broken_letters(parser: argparse.ArgumentParser, words: Sequence[str]) -> None:
    """Refuse words that are no UTF-8, but for files of such a name (PEP 383)."""
    for word in words:
        shown = word.encode("utf-8", "replace").decode()
        if shown != word and not Path(word).exists():
            parser.error(f"{shown!r} has letters that are no UTF-8; write it anew")


def _never_fail_on_a_letter() -> None:
    """Let a terminal that lacks a letter (±, é) show a question mark instead of stopping."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
