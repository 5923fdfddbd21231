"""The three rooms: imports go one way, and a command that only logs loads nothing heavy."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("logger", "drivers", "analysis")
#: What each room may import of the others.
ALLOWED: dict[str, tuple[str, ...]] = {
    "drivers": (),
    "analysis": ("drivers.reading", "drivers.units"),
    "logger": ("drivers", "analysis"),
}
FILES = [path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]


def imported(path: Path) -> list[str]:
    """Dotted names of every import in a file, wherever it stands."""
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            whole = module if module not in ROOMS else ""
            found += [whole] if whole else [f"{module}.{name.name}" for name in node.names]
    return found


def test_there_are_rooms_to_look_at() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in FILES} == set(ROOMS)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    room = path.relative_to(ROOT).parts[0]
    for name in imported(path):
        other = name.partition(".")[0]
        if other in ROOMS and other != room:
            assert any(name == a or name.startswith(a + ".") for a in ALLOWED[room]), f"{path} imports {name}"
        assert other not in ("tests", "fixtures"), f"{path} imports {name}"


def loaded_by(code: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after some code."""
    probe = f"{code}\nimport sys\nprint(*{{name.partition('.')[0] for name in sys.modules}})"
    done = subprocess.run(
        [sys.executable, "-c", probe], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    return set(done.stdout.split())


def test_a_command_that_only_logs_loads_nothing_heavy(tmp_path: Path) -> None:
    """The whole command, with a meter played from a wire log, in a fresh interpreter."""
    book = tmp_path / "book"
    wire = tmp_path / "wire.csv"
    wire.write_text("elapsed_s,meter,direction,hex\r\n0.5,v,rx,1b2035455b637f8a97a0b0c0d4e0\r\n", "utf-8")
    code = (
        "from logger.cli import run\n"
        f"assert run(['radio', 'add', 'set-1', '--benchbook', {str(book)!r}]) == 0\n"
        f"status = run(['log', 'set-1', '--meter', 'v=numbered-lcd@replay://{wire}?meter=v&speed=0', '--plain',\n"
        f"              '--benchbook', {str(book)!r}])\n"
        "assert status == 0, status\n"
    )
    probe = (
        "import contextlib, io\nwith contextlib.redirect_stdout(io.StringIO()):\n   "
        f" {code.replace(chr(10), chr(10) + '    ')}"
    )
    loaded = loaded_by(probe)

    assert "logger" in loaded and "serial" in loaded
    assert not loaded & {"pandas", "matplotlib", "scipy", "numpy", "pint", "textual"}
    assert list(book.glob("set-1/*/readings.csv"))
