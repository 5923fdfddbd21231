"""The hands on a practice bench: they do what was asked when the key confirms it, and nothing else."""

from __future__ import annotations

from drivers.decode.tables import Scpi
from drivers.practice import FOLLOWED, PracticeBench
from drivers.profile import load
from logger.acts import Phase, View

_SOCKET = {"line": "mains-line", "neutral": "mains-neutral"}


class PracticeHands:
    """Moves the simulated bench as the plan's prompts are confirmed; the tags no longer move it."""

    def __init__(self, bench: PracticeBench) -> None:
        self.bench = bench
        self._rest = bench.scenario.radio.points[0]
        #: Meters with a knob; the others are told by the program.
        self._by_hand = {
            meter.role for meter in bench.scenario.meter if not isinstance(load(meter.profile).decode, Scpi)
        }
        bench.by_hand(*FOLLOWED)
        for action, value in (("plug", "out"), ("switch", "off"), ("burden", ""), ("point", self._rest)):
            bench.do(action, value)

    def confirmed(self, view: View) -> None:
        """Do what the prompt asked for."""
        if view.phase is not Phase.MOVE or view.move is None:
            return
        for key, value in view.move.changes.items():
            self._do(key.partition(":")[0], value, view)

    def _do(self, what: str, value: str, view: View) -> None:
        item, bench = view.item, self.bench
        if what == "plug":
            bench.do("plug", "1" if value == "in" else value)
        elif what in ("switch", "load", "arrangement"):
            bench.do(what, value)
        elif what == "burden":
            bench.do("burden", "" if value == "none" else value)
        elif what == "trip":
            bench.do("trip", value=False)
        elif what == "socket":
            bench.do("point", _SOCKET.get(value, self._rest))
        elif what == "clip" and item is not None:
            bench.do("point", item.tags.get("point") or item.words.get("point") or self._rest)
        elif what == "function" and item is not None:
            self._turn_knob(view)

    def _turn_knob(self, view: View) -> None:
        if view.item is not None and view.item.function is not None and view.item.role in self._by_hand:
            self.bench.turn_knob(view.item.role, *view.item.function)

    def asked(self, view: View) -> None:
        """Some things are done without a key: a probe that goes to the socket when the reading itself tells."""
        item = view.item
        if item is None:
            return
        if view.phase is Phase.READ and item.step.release == "reading" and item.step.socket:
            self.bench.do("point", _SOCKET[item.step.socket])
        if view.phase is Phase.READ and not item.step.socket and item.tags.get("point"):
            self.bench.do("point", item.tags["point"])  # two meters stay clipped on, and each has its point
        if view.phase is Phase.READ and item.tags.get("load"):
            self.bench.do("load", item.tags["load"])
