"""What a report costs beside its bare parts: reading the same file, and drawing the same pictures.

Run with `python -m tests.bench_report`; the figures go to standard output. The report of a million rows may take 1.5
times the bare time of loading that file and drawing the same pictures.
"""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path

from analysis.report.content import build_content
from analysis.report.figures import draw
from analysis.report.html import render_html
from analysis.table import load_radio
from tests.report_samples import CARD, SITTING, SUPPLY, live_assessment
from tests.sessions import SessionWriter, write_card

ROWS = 1_000_000
#: Source: own choice, set before the first measurement.
ALLOWED = 1.5


def million_rows(root: Path) -> Path:
    """A radio's folder with one sitting of a million readings at two points and the secondary."""
    folder = write_card(root / "set-5", CARD)
    sitting = SessionWriter()
    states = [("chassis", "1", "voltage", ""), ("chassis", "2", "voltage", ""), ("pickup-ground", "1", "voltage", ""),
              ("secondary", "", "current", "playing")]  # fmt: skip
    for point, plug, quantity, load in states:
        sitting.read([1.0], u=0.7, quantity=quantity, point=point, plug=plug, switch="on", load=load)
    path = sitting.write(folder / SITTING, stage="after-fit") / "readings.csv"
    header, *templates = path.read_text("utf-8").splitlines()
    noise = random.Random(5)
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(header + "\n")
        for number in range(ROWS):
            cells = templates[number * len(states) // ROWS].split(",", 6)
            cells[1], cells[5] = f"{number / 10:.6f}", f"{noise.gauss(60, 1):.1f}"
            file.write(",".join(cells) + "\n")
    return folder


def measure() -> dict[str, float]:
    """Seconds for the bare parts and for the whole report, the libraries being loaded."""
    with tempfile.TemporaryDirectory() as place:
        folder = million_rows(Path(place))
        warm = build_content(load_radio(folder), live_assessment(), supply=SUPPLY)
        render_html(warm)
        plots = [*warm.matrix_plots, *warm.plots]
        draw.cache_clear()
        begin = time.perf_counter()
        load_radio(folder)
        loaded = time.perf_counter()
        for plot in plots:
            draw(plot)
        drawn = time.perf_counter()
        draw.cache_clear()
        begun = time.perf_counter()
        render_html(build_content(load_radio(folder), live_assessment(), supply=SUPPLY))
        whole = time.perf_counter() - begun
    bare = drawn - begin
    return {"load_s": loaded - begin, "draw_s": drawn - loaded, "report_s": whole, "ratio": whole / bare}


def main() -> None:
    found = measure()
    print(f"report of {ROWS:,} rows: load {found['load_s']:.2f} s, draw {found['draw_s']:.2f} s, whole "
          f"{found['report_s']:.2f} s, ratio {found['ratio']:.2f} (allowed {ALLOWED})")  # fmt: skip


if __name__ == "__main__":
    main()
