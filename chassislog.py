"""Start the program, after checking that its three packages are its own.

`logger`, `drivers` and `analysis` are common names. This module stands beside them so that the check can run, and
speak in one line, even where another package hides `logger` itself.
"""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path

PACKAGES = ("logger", "drivers", "analysis")


def shadowed(home: Path) -> list[str]:
    """One sentence for each of the three packages that does not come from `home`, with both places."""
    found = []
    for name in PACKAGES:
        spec = find_spec(name)
        place = Path(spec.origin).resolve() if spec is not None and spec.origin else None
        if place is None or place.parent.parent != home:
            found.append(f"package '{name}' comes from {place or 'nowhere'}, expected {home / name}")
    return found


def main() -> None:
    """Entry point of the console script."""
    wrong = shadowed(Path(__file__).resolve().parent)
    if wrong:
        sys.exit(f"chassislog: {'; '.join(wrong)}. Install chassislog in an environment of its own.")
    from logger.cli import main as run

    run()


if __name__ == "__main__":
    main()
