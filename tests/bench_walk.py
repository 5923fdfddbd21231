"""Bench: the whole chassis plan in `--plain`, at the pace of real meters, in a pseudo-terminal, on every scenario.

A scripted person presses Enter when asked; what `assess` then finds must be what is true of the scenario's circuit.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from analysis.assess import assess
from analysis.table import load_radio
from drivers.practice import truth
from drivers.practice_scenario import shipped
from tests.test_walk_terminal import Terminal

LONGEST = 900.0
ASKED = r"Done\? Press Enter|Not taken\. Change it, or skip|The plan is (?:not )?through|readings in "


def walked(scenario: str) -> str:
    """One scenario; what was not as it should be, or nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder, began = Path(name), time.monotonic()
        terminal = Terminal("walk", "learner", "--practice", scenario, "--plain", folder=folder)
        asked = 0
        while time.monotonic() - began < LONGEST:
            said = terminal.wait_for(ASKED)
            if re.match("The plan is|readings in", said):
                break
            terminal.type("s\n" if said.startswith("Not taken") else "\n")
            asked += 1
        if terminal.ended() != 0:
            return f"{scenario}: exit status {terminal.process.returncode}"
        found = {finding.id: finding for finding in assess(load_radio(folder / "learner")).findings}
        told = truth(scenario)
        levels = {point: str(found[f"touch-voltage:{point}"].level) for point in told.levels}
        if levels != dict(told.levels) or found["chassis-kind"].extra["kind"] != told.chassis_kind:
            return f"{scenario}: found {levels} and {found['chassis-kind'].extra}, true is {told}"
        print(f"{scenario}: as it is, {asked} times Enter, {time.monotonic() - began:.0f} s", flush=True)
    return ""


def main() -> None:
    """All scenarios side by side; they wait for their meters most of the time."""
    names = sorted(shipped())
    with ThreadPoolExecutor(len(names)) as pool:
        wrong = [text for text in pool.map(walked, names) if text]
    if wrong:
        print("\n".join(wrong))
        sys.exit(1)


if __name__ == "__main__":
    main()
