"""One sitting: meters opened, a session created, recorded and closed, whatever ends it."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any

from analysis.card import RadioCard
from analysis.descriptor import PRACTICE, descriptor_from
from drivers.meter import Batch, Meter
from drivers.reading import BenchError
from drivers.units import UnitError, parse
from logger.benchmeter import BenchMeter, unproved_links
from logger.radio import Benchbook
from logger.recorder import Recorder, Tags, now_utc
from logger.recording import Counters, Listener, Source
from logger.session import SessionHeader, SessionWriter, check_tag_names
from logger.toldmeter import ToldMeter
from logger.typedmeter import TypedMeter

FED_FROM = ("mains", "isolating-transformer", "variac", "lamp-limiter")
#: A sitting that names no stage goes on in the radio's last one; a radio without sessions is before its fitting.
FIRST_STAGE = "before-fit"


class LinkError(BenchError):
    """A meter's lead may tie the radio's chassis to the computer, and nobody said that it does not."""


class TagError(BenchError):
    """A tag without a column."""


def check_tags(tags: Mapping[str, str]) -> None:
    """Reserved tags must say what a judge can read. Raises: TagError: with what was expected."""
    for name, words in (("plug", ("1", "2")), ("switch", ("on", "off"))):
        if tags.get(name, "") not in ("", *words):
            raise TagError(f"{name}={tags[name]!r} says nothing.", remedy=f"Write {' or '.join(words)}.")
    burden = tags.get("burden", "")
    if burden and burden != "none":
        try:
            ohms = parse(burden, "Ohm")
        except UnitError as exc:
            raise TagError(exc.what, "Tag burden.", exc.remedy) from exc
        if not 1.0 <= ohms <= 1e9:
            raise TagError(f"burden={burden!r} is none across a meter.", remedy="Write such as 100 kohm, or none.")


class SittingError(BenchError):
    """A meter, port or file that failed and did not come back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What one sitting is to do."""

    radio: str
    meters: Sequence[BenchMeter]
    tags: Mapping[str, str] = field(default_factory=dict)
    schedule: Sequence[tuple[float, Mapping[str, str]]] = ()  #: tag changes that are known beforehand
    extra_tags: Sequence[str] = ()
    seconds: float | None = None
    count: int | None = None
    stage: str = ""
    plan: str = ""
    fed_from: str = "mains"
    name: str = "log"
    wire: bool = True
    link_isolated: bool = False
    probes_chassis: bool = False  #: a plan that does, whatever the tags
    start: datetime | None = None  #: of a sitting that is played back; else now
    clock: Callable[[], float] | None = None  #: seconds since it began; else this computer's own


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a sitting left."""

    folder: Path
    counters: Counters
    lost: tuple[str, ...]  #: meters whose port did not come back
    unwritten: int  #: rows that the disk did not take


def check_links(plan: Plan) -> None:
    """Stop before a probe ties a chassis to the computer. Raises: LinkError: with the reason and what to do."""
    points = [tags.get("point") for tags in (plan.tags, *(tags for _, tags in plan.schedule))]
    if plan.link_isolated or not (plan.probes_chassis or any(points)):
        return
    doubtful = unproved_links(plan.meters)
    if doubtful:
        names = ", ".join(f"'{meter.role}' ({meter.isolation})" for meter in doubtful)
        raise LinkError(
            f"The data link of meter {names} is not known to be isolated: it may tie the radio's chassis to the"
            " computer.",
            remedy="Check the meter's manual. If it is isolated, type 'isolated' when asked, or give --link-isolated.",
        )


def stage_of(benchbook: Benchbook, radio: str, named: str) -> str:
    """The stage of a new session: the one named, else the last one's; a practice session's only where no other is."""
    if named:
        return named
    practised = ""
    for path in sorted(benchbook.radio_folder(radio).glob("*/datapackage.json"), reverse=True):
        try:
            found = descriptor_from(path.read_bytes()) or {}
        except OSError:
            continue
        stage = found.get("stage")
        if isinstance(stage, str) and stage:
            if not _of_practice(found):
                return stage
            practised = practised or stage
    return practised or FIRST_STAGE


def _of_practice(descriptor: Mapping[str, Any]) -> bool:
    meters = descriptor.get("meters")
    ports = [meter.get("port") for meter in meters if isinstance(meter, dict)] if isinstance(meters, list) else []
    return any(str(port).lower().startswith(PRACTICE) for port in ports)


class Sitting:
    """A running sitting: the recorder, its session, and the typed meters that want lines."""

    def __init__(self, benchbook: Benchbook, plan: Plan, listener: Listener | None = None) -> None:
        """Open the meters and create the session.

        Raises: BenchbookError, CardError, LinkError, ProfileError, PortError, SessionError; nothing is left behind.
        """
        self.plan = plan
        self.card: RadioCard = benchbook.card(plan.radio)
        extra = check_tag_names(plan.extra_tags)
        check_links(plan)
        self.tags = Tags(extra)
        unknown = sorted(set(plan.tags) - set(self.tags.names))
        if unknown:
            known = ", ".join(self.tags.names)
            raise TagError(f"There is no tag {unknown[0]!r}.", remedy=f"Tags are {known}; declare own ones.")
        check_tags(plan.tags)
        if any(sign in plan.name for sign in "/\\"):
            raise TagError(f"{plan.name!r} cannot be a session's name.", remedy="Write a word, such as before-repair.")
        zero = time.monotonic()
        start = plan.start or now_utc()
        self.clock: Callable[[], float] = plan.clock or (lambda: time.monotonic() - zero)
        self.typed: dict[str, TypedMeter] = {}
        self.told: dict[str, ToldMeter] = {}
        self._meters: list[Source] = []
        self._leads: list[Meter] = []
        opened = self._open()
        replayed = all(meter.port.startswith("replay://") for meter in plan.meters)
        if replayed:  # a replay knows no other time than the recorded one
            self.clock = lambda: max((lead.now() for lead in self._leads), default=0.0)
        self._replayed = replayed or plan.clock is not None  # the wall clock cannot be held against either
        header = SessionHeader(
            radio=plan.radio, start=start, stage=stage_of(benchbook, plan.radio, plan.stage), plan=plan.plan,
            name=plan.name, extra_tags=extra,
            statements={"link_isolated": plan.link_isolated, "fed_from": plan.fed_from},
            meters=[m.descriptor(getattr(s, "identity", "")) for m, s in zip(plan.meters, self._meters, strict=True)],
        )  # fmt: skip
        try:
            self.writer = SessionWriter(benchbook.radio_folder(plan.radio), header, wire=plan.wire)
        except BenchError:
            self._close_meters()
            raise
        self.recorder = Recorder(
            self.writer, self._meters, self.tags, clock=self.clock, wall=None if self._replayed else time.time,
            listener=listener, count=plan.count, until=plan.seconds, in_order=all(map(_unhurried, plan.meters)),
            taken=() if plan.plan else tuple(self.typed),  # a guided plan has takes of its own
        )  # fmt: skip
        self._begin(opened)

    def _open(self) -> list[tuple[str, Batch]]:
        opened = []
        try:
            for meter in self.plan.meters:
                if meter.typed:
                    typed = self.typed[meter.role] = TypedMeter(meter.role, meter.profile, self.clock)
                    self._meters.append(typed)
                else:
                    lead = Meter(meter.role, meter.profile, meter.port, clock=self.clock)
                    told = self.told[meter.role] = ToldMeter(lead)
                    opened.append((meter.role, told.open()))
                    self._meters.append(told)
                    self._leads.append(lead)
        except BaseException:
            self._close_meters()
            raise
        return opened

    def _close_meters(self) -> None:
        for meter in self._meters:
            meter.close()

    def _begin(self, opened: list[tuple[str, Batch]]) -> None:
        recorder, plan = self.recorder, self.plan
        recorder.note("start", {"radio": plan.radio, "name": plan.name, "fed_from": plan.fed_from}, elapsed=0.0)
        if plan.tags:
            self.set_tags(plan.tags, elapsed=0.0)
        recorder.schedule(plan.schedule)
        for role, batch in opened:
            recorder.accept(role, batch)

    def set_tags(self, tags: Mapping[str, str], *, elapsed: float | None = None) -> None:
        """Put a whole set of tags in force; a practice bench that nobody else leads follows them."""
        for meter in self.typed.values():
            meter.moved_on()
        self.recorder.set_tags(tags, elapsed=elapsed)
        if not self.plan.plan:
            for scenario in _practised(self.plan.meters):
                from drivers.practice import bench_of

                bench_of(scenario).set_tags(tags)

    def run(self, wait: Callable[[Sitting], None] | None = None) -> Outcome:
        """Record until it is done or interrupted, then close the session.

        Args:
            wait: called in this thread until it returns; without one, waits for the meters to be done.
        Raises: SittingError: the session could not be closed on the disk.
        """
        ended = "done"
        with _Signals() as signals:
            try:
                self.recorder.start()
                if wait is not None:
                    wait(self)
                else:
                    self.wait()
                signals.closing = True  # within the try: from here on no signal can come between
            except KeyboardInterrupt:
                ended = "interrupted by the user"
            return self._end(ended)

    def change_tags(self, changes: Mapping[str, str]) -> str:
        """Put changed tags in force, as somebody typed them; what was wrong with them, or nothing."""
        unknown = next((name for name in changes if name not in self.tags.names), "")
        if unknown:
            return f"There is no tag {unknown!r}. Tags are {', '.join(self.tags.names)}."
        changed = {**self.tags.now, **changes}
        try:
            check_tags(changed)
        except BenchError as exc:
            return str(exc)
        self.set_tags(changed)
        return ""

    def wait(self) -> None:
        """Wait until no meter is being read any more."""
        while self.recorder.running:
            time.sleep(0.02)

    def _end(self, reason: str) -> Outcome:
        recorder = self.recorder
        recorder.stop()
        recorder.note("end", {"reason": reason})
        recorder.finish()
        unwritten = recorder.unwritten
        at = recorder.last_time  # a replay has no other clock, and runs ahead of this computer's
        if not self._replayed:
            at = max(at, now_utc())
        try:
            self.writer.close(at, unwritten=unwritten)
        except OSError as exc:
            kept = self.writer.folder.is_dir()
            left = "it stays readable as an interrupted one" if kept else "its folder is gone"
            raise SittingError(
                f"The session could not be closed: {exc.strerror or exc}; {left}.", f"Folder {self.writer.folder}.",
                "Make room, then run 'chassislog mend' on it." if kept else "",
            ) from exc  # fmt: skip
        if recorder.counters.disk and not unwritten:
            raise SittingError(
                f"The disk refused for a time: {recorder.counters.disk}.", f"Folder {self.writer.folder}.",
                "Run 'chassislog check' on it.",
            )  # fmt: skip
        return Outcome(
            folder=self.writer.folder, counters=recorder.counters, lost=tuple(sorted(recorder.lost)),
            unwritten=unwritten,
        )  # fmt: skip


def _practised(meters: Sequence[BenchMeter]) -> set[str]:
    """The practice scenarios that some meters are of."""
    ports = [meter.port for meter in meters if meter.port.lower().startswith(PRACTICE)]
    return {port.partition("://")[2].partition("?")[0] for port in ports}


def _unhurried(meter: BenchMeter) -> bool:
    """Whether it plays a wire log without waiting."""
    return meter.port.startswith("replay://") and "speed=0" in meter.port.partition("?")[2].split("&")


class _Signals:
    """A closed terminal window or a plain kill ends the sitting as Ctrl-C does.

    The first signal raises KeyboardInterrupt in the main thread, unless `closing` is set; later ones do nothing.
    """

    def __init__(self) -> None:
        self.closing = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> _Signals:
        if threading.current_thread() is threading.main_thread():
            names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
            for number in [getattr(signal, name) for name in names if hasattr(signal, name)]:
                self._before[number] = signal.signal(number, self._arrived)
        return self

    def _arrived(self, _number: int, _frame: FrameType | None) -> None:
        if not self.closing:
            self.closing = True
            raise KeyboardInterrupt

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
