"""What a bug report needs to say of the program and where it runs."""

from __future__ import annotations

import locale
import os
import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from logger.session import program_version

_PACKAGES = ("distributed", "filelock", "fsspec", "jinja2", "matplotlib", "msgspec", "numpy", "pandas", "pint",
             "platformdirs", "pymodbus", "pyserial", "pyttsx3", "pyvisa", "pyvisa-py", "textual", "typer",
             "typst")  # fmt: skip


def facts(benchbook: Path) -> dict[str, Any]:
    """Versions, platform and folders."""
    from drivers.profile import user_folder

    return {
        "chassislog": program_version(),
        "python": platform.python_version(),
        "platform": platform.platform(),
        "machine": platform.machine(),
        "encoding": f"{sys.stdout.encoding or 'none'}, files {sys.getfilesystemencoding()}",
        "locale": ".".join(part for part in locale.getlocale() if part) or "C",
        "terminal": os.environ.get("TERM", "") or "none",
        "benchbook": f"{benchbook}{'' if benchbook.is_dir() else ' (not there)'}",
        "own_profiles": f"{user_folder()}{'' if user_folder().is_dir() else ' (none)'}",
        "packages": {name: _version(name) for name in _PACKAGES},
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
