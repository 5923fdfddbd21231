"""A calculator's command run in this process: its standard output, its JSON document, or the line of its refusal."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from drivers.reading import BenchError


class Calculators:
    """The commands that some module adds, without the rest of the program."""

    def __init__(self, add: Callable[[typer.Typer], None]) -> None:
        self.app = typer.Typer(pretty_exceptions_enable=False)
        add(self.app)

    def run(self, command: str, status: int = 0) -> str:
        """Standard output of a command line that ends with `status`."""
        result = CliRunner().invoke(self.app, shlex.split(command), catch_exceptions=False)
        assert result.exit_code == status, result.output
        return result.stdout

    def answer(self, command: str, status: int = 0) -> dict[str, Any]:
        """The JSON document of a command."""
        found = json.loads(self.run(f"{command} --json", status))
        assert isinstance(found, dict)
        return found

    def refused(self, command: str) -> str:
        """The line with which a command is refused; nothing else may come out."""
        with pytest.raises(BenchError) as caught:
            CliRunner().invoke(self.app, shlex.split(command), catch_exceptions=False)
        assert "\n" not in str(caught.value)
        return str(caught.value)
