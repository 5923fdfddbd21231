"""`practice://SCENARIO?meter=ROLE`: a meter of the practice bench, behind the same interface as a real port.

All ports of a process share the bench of a scenario; whoever drives it tells it the tags in force
(`drivers.practice.bench_of`).
"""

from __future__ import annotations

from urllib.parse import parse_qsl, unquote

from drivers.practice import PracticeBench, bench_of
from drivers.practice_meters import Voice, voice_of
from drivers.practice_scenario import PracticeError
from drivers.urls.pieces import PiecePort


def parse_url(url: str) -> tuple[str, str]:
    """Scenario and role. Raises: PracticeError: an option that is not known, or no scenario."""
    text, _, query = url.partition("://")[2].partition("?")
    options = dict(parse_qsl(query, keep_blank_values=True))
    if unknown := sorted(options.keys() - {"meter"}):
        raise PracticeError(f"A practice port has no option {unknown[0]!r}.", f"Port {url}.", "It has meter.")
    scenario = unquote(text).strip("/")
    if not scenario:
        raise PracticeError("A practice port needs the name of a scenario.", f"Port {url}.",
                            "Write practice://SCENARIO?meter=ROLE.")  # fmt: skip
    return scenario, options.get("meter", "")


class Serial(PiecePort):
    """A port to a meter of the practice bench."""

    bench: PracticeBench
    _voice: Voice

    def open(self) -> None:
        """Switch the meter on. Raises: PracticeError: no such scenario or meter."""
        scenario, role = parse_url(self.portstr or "")
        self.bench = bench_of(scenario)
        self._voice = voice_of(self.bench, role or self.bench.scenario.meter[0].role)
        self._rest = b""
        self.is_open = True

    @property
    def in_waiting(self) -> int:
        """Bytes left of the current piece, or of the one that is due."""
        return len(self._rest) or self._voice.waiting()

    def _piece(self) -> bytes:
        if self.timeout is not None:
            return self._voice.take(self.timeout)
        while self.is_open and not (data := self._voice.take(0.2)):
            continue
        return data if self.is_open else b""

    def _send(self, data: bytes) -> None:
        self._voice.write(data)
