"""How long from a frame's last byte to the alarm on the screen, with three meters running on the practice bench."""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from pathlib import Path

from textual.widgets import Static

from analysis.limits import touch_limits
from drivers.practice import PracticeBench, put_bench
from drivers.practice_scenario import load as load_scenario
from drivers.profile import load
from logger.bench import Bench
from logger.benchmeter import BenchMeter
from logger.guide import Guide
from logger.radio import Benchbook
from logger.screen.app import BenchApp
from logger.screen.benchscreen import BenchScreen
from logger.sitting import Plan, Sitting

SCENARIO = "far-leg-230"
TIMES = 40
TARGET = 0.050  #: p99 [s]


def measure(folder: Path, times: int = TIMES) -> list[float]:
    """Seconds from the arrival that the reading carries to the alarm bar's new text, for each of some alarms."""
    bench_side = put_bench(PracticeBench(load_scenario(SCENARIO)))
    book = Benchbook(folder)
    book.add({"id": "set-1", "nominal_mains": "230 V", "points": ["chassis"]})
    meters = [BenchMeter(role=role, profile=load(profile), port=f"practice://{SCENARIO}?meter={part}")
              for role, part, profile in (("v", "v", "scpi-bench"), ("i", "i", "numbered-lcd"),
                                          ("second", "i", "numbered-lcd"))]  # fmt: skip
    bench = Bench([meter.role for meter in meters], touch_limits())
    sitting = Sitting(book, Plan(radio="set-1", meters=meters), listener=bench)
    bench.note = sitting.recorder.note
    found: list[float] = []

    async def body() -> None:
        app = BenchApp(bench, Guide(bench), sitting)
        async with app.run_test(size=(80, 24)) as pilot:
            while not isinstance(app.screen, BenchScreen):
                await pilot.pause(0.01)
            bar = app.screen.query_one("#alarm", Static)
            arrived: list[float] = []
            bench.on_alarm.append(lambda alarm: arrived.append(alarm.elapsed) if alarm.on else None)
            for _ in range(times):
                live = {"point": "chassis", "plug": "2", "switch": "on"}
                bench_side.set_tags(live)
                sitting.recorder.set_tags(live)
                arrived.clear()
                while not (arrived and str(bar.render()).startswith("!!!")):
                    await asyncio.sleep(0.001)
                found.append(sitting.clock() - min(arrived))
                bench_side.set_tags({})
                sitting.recorder.set_tags({})
                while bench.alarms or str(bar.render()).startswith("!!!"):
                    await asyncio.sleep(0.005)

    sitting.run(lambda _: asyncio.run(body()))
    return found


def main() -> None:
    """Print what was measured."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        found = sorted(measure(Path(folder)))
    p99 = found[min(len(found) - 1, int(0.99 * len(found)))]
    print(f"alarm on screen, 3 meters, {len(found)} alarms in {time.monotonic() - began:.0f} s:")
    print(f"p50 {1e3 * statistics.median(found):.1f} ms, p99 {1e3 * p99:.1f} ms, target {1e3 * TARGET:.0f} ms")


if __name__ == "__main__":
    main()
