"""The entry point: help, wrong use, closed pipes and interrupts end with a sentence."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.cli import main

REPOSITORY = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "gateway.cli"]


def _run(*arguments: str, **options):
    return subprocess.run(
        [*COMMAND, *arguments], cwd=REPOSITORY, capture_output=True, text=True, timeout=120,
        check=False, **options,
    )  # fmt: skip


def test_help_names_every_command():
    result = _run("--help")
    assert result.returncode == 0
    for command in ("run", "check", "rules", "tickets", "replay", "version"):
        assert f"\n  {command} " in result.stdout
    assert "It only watches; it never" in " ".join(result.stdout.split())


def test_the_process_checks_the_demonstration_fleet():
    result = _run("check", "--fleet", "simulator/demo_fleet")
    assert result.stdout.endswith("units, all good.\n")
    assert (result.returncode, result.stderr) == (0, "")


def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from gateway.cli import main\n"
        "status = main(['--help'])\n"
        "heavy = {'numpy', 'pydantic', 'sqlalchemy', 'paho', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(f'imported: {heavy}' if heavy else status)\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert (result.returncode, result.stderr) == (0, "")


def test_a_misspelt_command_gets_the_nearest(capsys):
    assert main(["chek"]) == 2
    assert "No such command 'chek'. Did you mean 'check'?" in capsys.readouterr().err


def test_version_is_told(capsys):
    assert main(["version"]) == 0
    assert capsys.readouterr().out.startswith("basinward ")


@pytest.mark.parametrize("arguments", [["rules", "--markdown"], ["rules"], ["--help"]])
def test_a_reader_that_goes_away_is_no_fault(arguments):
    """As when the output goes to ``head``: the pipe is closed before anything is read."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as stdout:
        result = subprocess.run(
            [*COMMAND, *arguments], cwd=REPOSITORY, stdout=stdout, stderr=subprocess.PIPE,
            text=True, timeout=120, check=False,
        )  # fmt: skip
    assert result.stderr == ""
    assert result.returncode in {1, 141}


def _app_that_raises(error):
    def app(**_options):
        raise error

    return app


@pytest.mark.parametrize(
    ("error", "status", "sentence"),
    [
        (KeyboardInterrupt(), 130, "Stopped.\n"),
        (OSError(28, "No space left on device", "x.csv"), 1,
         "Error: x.csv: No space left on device.\n"),
        (SystemExit("odd"), 1, ""),
        (BrokenPipeError(), 141, ""),
    ],
)  # fmt: skip
def test_what_ends_a_command_is_a_sentence_and_a_status(
    monkeypatch, capsys, error, status, sentence
):
    from gateway.cli import app as module

    monkeypatch.setattr(module, "app", _app_that_raises(error))
    assert main([]) == status
    assert capsys.readouterr().err == sentence
