"""A scripted user of a guided sitting on the practice bench, whose time runs as fast as the computer does."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.table import load_radio
from drivers.practice import PracticeBench, put_bench
from drivers.practice_scenario import load as load_scenario
from logger.acts import Key, Phase, View
from logger.plan import load_plan
from logger.radio import Benchbook
from logger.sitting import Outcome, Sitting
from logger.walking import Guided, Walk, practice_meters, prepare

#: A sitting that has not come through in this time hangs. [s]
PATIENCE = 30.0


class BenchTime:
    """Seconds on the bench: they pass when somebody waits for them, and each wait really costs next to nothing."""

    def __init__(self, real: float = 0.0002) -> None:
        self.real = real  #: what a wait really costs [s]
        self._now = 0.0
        self._lock = threading.Lock()

    def __call__(self) -> float:
        return self._now

    def sleep(self, seconds: float) -> None:
        with self._lock:
            self._now += max(0.0, seconds)
        time.sleep(self.real)


def fresh_bench(scenario: str, real: float = 0.0002) -> tuple[PracticeBench, BenchTime]:
    """A bench of the scenario that runs unpaced."""
    clock = BenchTime(real)
    return put_bench(PracticeBench(load_scenario(scenario), clock=clock, sleep=clock.sleep)), clock


#: What a user does at a prompt: a key, a typed line, None to wait, or "quit".
User = Callable[[View], Key | str | None]


def willing(view: View) -> Key | str | None:
    """Does everything as asked, and skips what the meter refuses."""
    if view.phase in (Phase.MOVE, Phase.CONFIRM):
        return Key.GO
    if view.phase is Phase.TEXT:
        return "T 63 mA, primary"
    return Key.SKIP if view.hint.startswith("Not taken") else None


class Session:
    """One guided sitting by a scripted user."""

    def __init__(
        self, folder: Path, scenario: str, *, plan: str = "chassis", radio: str = "learner-1", real: float = 0.0002,
        wire: bool = False,
    ) -> None:  # fmt: skip
        self.bench, clock = fresh_bench(scenario, real)
        self.book = Benchbook(folder)
        chosen = load_plan(plan)
        walk = Walk(radio=radio, plan=chosen, meters=practice_meters(scenario, chosen), practice=scenario, clock=clock,
                    wire=wire)  # fmt: skip
        self.radio = radio
        self.guided: Guided = prepare(self.book, walk)
        self.views: list[View] = []
        self.said: list[str] = []

    def run(self, user: User = willing) -> Outcome:
        """Walk until the plan is through, or the user quits."""

        def wait(sitting: Sitting) -> None:
            guide = self.guided.guide
            guide.on_say.append(lambda say: self.said.append(say.text))
            guide.start(sitting)
            until, seen = time.monotonic() + PATIENCE, None
            while not guide.ended.is_set():
                assert not guide.broken and time.monotonic() < until, f"it hangs at {guide.view}"
                view = guide.view
                if view is None or view is seen:
                    time.sleep(0.0005)
                    continue
                seen = view
                self.views.append(view)
                answer = user(view)
                if answer == "quit":
                    break
                if isinstance(answer, Key):
                    guide.key(answer)
                elif answer is not None:
                    guide.text(answer)
            guide.stop()

        return self.guided.sitting.run(wait)

    def assess(self) -> Assessment:
        """What the judgement makes of the radio."""
        return assess(load_radio(self.book.radio_folder(self.radio)))
