"""The command before it knows what is asked for: usage, first steps, start."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from app.cli import main
from tests.app.command import ROOT, in_process, run


def test_a_photo_without_a_command_is_told_the_command(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["tube.jpg"])
    assert stop.value.code == 2
    err = capsys.readouterr().err
    assert "To grade photos: cuproscope grade tube.jpg" in err
    assert len(err.splitlines()) == 2


@pytest.mark.parametrize("words", [[], ["load"]])
def test_without_a_command_the_first_steps_are_told(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    assert re.search(r"first (steps|evening)", "".join(capsys.readouterr()))


def test_an_unknown_reference_is_told_all_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("grade", "x.jpg"), ("load", "add", "x.jpg")):
        code, _, err = run(capsys, *words, "--reference", "banana")
        assert code == 2
        assert "auto, card, sheet, marker:MM" in err
        assert "eu-1" in err


@pytest.mark.parametrize(
    "argv",
    [[], ["weigh"], ["grade", "x.jpg", "--form", "coil"], ["sheet", "x.pdf", "--paper", "b5"]],
)
def test_words_that_argparse_refuses_exit_with_2(argv: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(argv)
    assert stop.value.code == 2


@pytest.mark.parametrize(
    ("argv", "told"),
    [
        (["grade", "a.jpg", "--refrence", "card"], "did you mean --reference?"),
        (["grade", "a.jpg", "--reference", "us-25"], "did you mean us-25c?"),
        (["load", "plan", "--minuts", "3"], "did you mean --minutes?"),
    ],
)
def test_what_was_likely_meant_is_told(
    argv: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        code = main(argv)
    except SystemExit as stopped:
        code = int(str(stopped.code))
    assert code == 2
    assert told in capsys.readouterr().err


def test_help_loads_no_heavy_module() -> None:
    code = (
        "import sys\nfrom app.cli import main\n"
        "try:\n    main(['grade', '--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'skimage', 'onnxruntime', 'PIL'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = in_process("-c", code)
    assert done.returncode == 0, done.stderr
    assert "marker:MM" in done.stdout


def test_the_module_runs_as_the_command() -> None:
    done = in_process("-m", "app", "--version")
    assert done.returncode == 0
    assert done.stdout.startswith("cuproscope ")


@pytest.mark.skipif(os.name != "posix", reason="pipes of a POSIX shell")
def test_a_reader_that_goes_away_costs_no_trace(tmp_path: Path) -> None:
    for number in range(40):
        (tmp_path / f"{number}.jpg").write_text("no photo")
    command = f"{sys.executable} -m app grade --json {tmp_path} | head -n 1"
    done = subprocess.run(
        command, shell=True, cwd=ROOT, text=True, capture_output=True, check=False
    )
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


def test_completion_scripts_know_the_load_commands(capsys: pytest.CaptureFixture[str]) -> None:
    for shell in ("bash", "zsh", "tcsh"):
        assert main(["completion", shell]) == 0
        script = capsys.readouterr().out
        assert "settle" in script
        assert shell == "tcsh" or "--cluster" in script


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_completes_commands_and_options(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    asked_of_it = """
    complete -p cuproscope
    for words in "cuproscope load se" "cuproscope load plan --h" "cuproscope grade --cl"; do
        COMP_WORDS=($words); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); COMPREPLY=()
        $(complete -p cuproscope | sed 's/.*-F \\([^ ]*\\).*/\\1/')
        echo "${COMPREPLY[@]}"
    done
    """
    done = subprocess.run(
        ["bash", "-c", f"{script}\n{asked_of_it}"], capture_output=True, text=True, check=False
    )
    told = done.stdout.splitlines()
    assert "settle" in told[1].split(), done.stderr
    assert "--hourly" in told[2].split()
    assert "--cluster" in told[3].split()
