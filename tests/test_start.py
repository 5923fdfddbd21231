"""Starting the program: the three packages must be its own, and help reads well."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own, without a terminal."""
    return subprocess.run(
        [sys.executable, str(ROOT / "chassislog.py"), *arguments], capture_output=True, text=True, timeout=60,
        stdin=subprocess.DEVNULL, env={**os.environ, **environment}, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("name", ["logger", "drivers", "analysis"])
def test_a_package_that_hides_ours_is_named_with_both_places(name: str, tmp_path: Path) -> None:
    """As from an installed console script, where the site folder comes after PYTHONPATH."""
    (tmp_path / name).mkdir()
    (tmp_path / name / "__init__.py").write_text("", "utf-8")
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); sys.path.insert(0, {str(tmp_path)!r}); import chassislog;"
        " chassislog.main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert str(tmp_path / name) in done.stderr and str(ROOT / name) in done.stderr


def test_without_a_terminal_it_prints_the_help() -> None:
    done = run()

    assert done.returncode == 0
    assert "Usage: chassislog" in done.stdout and "CAUTION" in done.stdout


def commands() -> list[list[str]]:
    """Every command there is, groups and their members."""
    from typer.main import get_command

    from logger.cli import app

    found = []
    for name, command in get_command(app).commands.items():  # type: ignore[attr-defined] # the app is a group
        inner = getattr(command, "commands", None)
        found += [[name, *([sub] if sub else [])] for sub in (["", *inner] if inner else [""])]
    return found


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_every_command_has_a_real_example_in_its_help(words: list[str]) -> None:
    from typer.testing import CliRunner

    from logger.cli import app

    done = CliRunner().invoke(app, [*words, "--help"])

    assert done.exit_code == 0
    assert "Example:" in done.stdout
    assert f"chassislog {words[0]}" in " ".join(done.stdout.split())
    assert " safe " not in done.stdout.lower()


BAD_CALLS = [
    (["logg"], 2),
    (["assess", "set-1", "--jsn"], 2),
    (["assess", "nothing-there"], 2),
    (["log", "nothing-there", "--meter", "v=typed"], 2),
    (["log", "set-1"], 2),
    (["log", "set-1", "--meter", "v=no-such-profile@/dev/null"], 2),
    (["log", "set-1", "--meter", "v=numbered-lcd"], 2),
    (["log", "set-1", "--meter", "typed"], 2),
    (["log", "set-1", "--meter", "v=numbered-lcd@/dev/no-such-port"], 3),
    (["log", "set-1", "--meter", "v=numbered-lcd@nosuch://port"], 2),
    (["log", "set-1", "--meter", "v=numbered-lcd@replay:///no/such/file?meter=v"], 3),
    (["log", "set-1", "--meter", "v=typed", "--for", "30 V"], 2),
    (["log", "set-1", "--meter", "v=typed", "--for", "30"], 2),
    (["log", "set-1", "--meter", "v=typed", "--count", "none"], 2),
    (["log", "set-1", "--meter", "v=typed", "--tag", "colour=red"], 2),
    (["log", "set-1", "--meter", "v=typed", "--fed-from", "battery"], 2),
    (["log", "set-1", "--meter", "v=scpi-bench@socket://127.0.0.1:1", "--tag", "point=chassis"], 2),
    (["radio", "add", "Set 1"], 2),
    (["radio", "add", "set-2", "--mains", "120"], 2),
    (["radio", "add", "set-2", "--mains", "120 ohm"], 2),
    (["radio", "add", "set-2", "--set", "board.colour=red"], 2),
    (["radio", "add", "set-1"], 2),
    (["radio", "show", "../set-1"], 2),
    (["meters", "show", "no-such"], 2),
    (["report", "set-1", "--paper", "a9"], 2),
    (["report", "set-1", "--since", "yesterday"], 2),
]  # fmt: skip


@pytest.mark.parametrize(("words", "status"), BAD_CALLS, ids=[" ".join(words) for words, _ in BAD_CALLS])
def test_a_wrong_call_is_one_line_and_a_status(
    words: list[str], status: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from logger.cli import run as run_here

    book = ["--benchbook", str(tmp_path)]
    assert run_here(["radio", "add", "set-1", *book]) == 0
    capsys.readouterr()
    takes_book = words[0] in ("assess", "log", "radio", "report")
    got = run_here([*words, *(book if takes_book else [])])
    said = capsys.readouterr()

    assert got == status
    errors = [line for line in said.err.splitlines() if line.startswith("chassislog: ")]
    assert len(errors) == 1
    assert "Traceback" not in said.err
    assert not list(tmp_path.glob("set-1/*/"))  # nothing half made is left


def test_no_colour_where_none_is_wanted(tmp_path: Path) -> None:
    done = run("demo", "--out", str(tmp_path / "demo"), NO_COLOR="1", FORCE_COLOR="1")

    assert done.returncode == 0
    assert "\x1b[" not in done.stdout
