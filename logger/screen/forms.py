"""Forms behind the start screen: a radio's card, the ports, and what a guided sitting needs to begin."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Button, Input, OptionList, Select, Static
from textual.widgets.option_list import Option

from analysis.report.text import without_controls
from drivers.reading import BenchError
from drivers.units import counted
from logger.radio import Benchbook
from logger.screen.app import StartApp
from logger.screen.benchscreen import BenchScreen
from logger.screen.start import BACK, LIST_CSS, Listed, RadioScreen, foot, one_line

if TYPE_CHECKING:
    from logger.benchmeter import BenchMeter
    from logger.sitting import Sitting
    from logger.walking import Guided

FORM_CSS = (
    LIST_CSS
    + """
VerticalScroll { height: 1fr; }
.row { height: 1; }
.row Static { width: 26; padding: 0 1; }
.row Input, .row Select { width: 1fr; }
SelectOverlay { height: auto; max-height: 12; border: solid $foreground; }
SelectOverlay > .option-list--option-highlighted, SelectOverlay:focus > .option-list--option-highlighted {
    color: $background; background: $foreground; text-style: bold underline;
}
Select:focus SelectCurrent Static#label { text-style: reverse; }
#own { height: auto; }
Button { margin: 1 1 0 1; }
"""
)
FORM_KEYS = "Tab to the next field, Enter or Space on the button   Esc back"
TYPED = "typed by hand"


def _row(label: str, field: Input | Select[str]) -> Horizontal:
    return Horizontal(Static(label, markup=False), field, classes="row")


def _choice(words: tuple[str, ...], name: str, value: str) -> Select[str]:
    return Select([(word, word) for word in words], id=name, value=value, allow_blank=False, compact=True)


class Form(Screen[None]):
    """A form with a line for what is wrong."""

    CSS = FORM_CSS
    BINDINGS: ClassVar[list[BindingType]] = BACK

    def say(self, text: str) -> None:
        """A line under the heading."""
        self.query_one("#text", Static).update(Text(without_controls(text)))

    def field(self, name: str) -> str:
        """What stands in a field."""
        return self.query_one(f"#{name}", Input).value.strip()

    def chosen(self, name: str) -> str:
        """What is chosen in a field."""
        return str(self.query_one(f"#{name}", Select).value)

    def action_back(self) -> None:
        """To the screen before."""
        self.app.pop_screen()


class CardScreen(Form):
    """A new radio's card."""

    SAID = "Leave empty or unknown what you do not know. Mains: 230 V, frequency: 50 Hz."

    def __init__(self, benchbook: Benchbook) -> None:
        super().__init__()
        self.benchbook = benchbook

    def compose(self) -> ComposeResult:
        """The fields of the card that matter first; the rest can be written into its file."""
        yield Static("New radio", classes="head", markup=False)
        yield Static(self.SAID, classes="text", id="text", markup=False)
        with VerticalScroll():
            yield _row("Short id (a-z 0-9 -)", Input(id="id", compact=True))
            yield _row("Name", Input(id="name", compact=True))
            yield _row("Mains it is made for", Input(id="mains", compact=True))
            yield _row("Frequency", Input(id="frequency", compact=True))
            yield _row("Points, with commas", Input("chassis", id="points", compact=True))
            yield _row("Plug", _choice(("unknown", "reversible", "polarised", "earthed"), "plug", "unknown"))
            yield _row("Mains switch", _choice(("unknown", "single", "double", "none"), "switch", "unknown"))
            kinds = ("unknown", "transformer", "autotransformer", "series-heater")
            yield _row("Supply", _choice(kinds, "supply", "unknown"))
            yield _row("Children, damp place?", _choice(("no", "yes: lower limits"), "strict", "no"))
            yield Button("Save the card", id="save")
        yield from foot(FORM_KEYS)

    def on_button_pressed(self) -> None:
        """Write the card, then show the radio."""
        if not self.field("id"):
            self.say("The radio needs a short id, such as set-1: its folder is named so.")
            return
        points = [point.strip() for point in self.field("points").split(",") if point.strip()]
        strict = self.chosen("strict") != "no"
        card = {
            "id": self.field("id"), "name": self.field("name"), "nominal_mains": self.field("mains"),
            "frequency": self.field("frequency"), "points": points, "plug": self.chosen("plug").replace("unknown", ""),
            "switch": self.chosen("switch"), "supply": self.chosen("supply"),
            "limits": {"strict": True} if strict else {},
        }  # fmt: skip
        try:
            made = self.benchbook.add(card)
        except BenchError as exc:
            self.say(one_line(exc))
            return
        self.app.switch_screen(RadioScreen(self.benchbook, made.id))


class PortsScreen(Listed):
    """The ports; Enter on one finds out what is on it."""

    HEAD = "Ports: Enter listens to one and finds out which meter it is"

    def choices(self) -> list[Option | None]:
        """What is plugged in."""
        from drivers.portlist import ports

        found: list[Option | None] = [
            Option(f"{port.name:24} {port.description}" + (f"   held by {port.held_by}" if port.held_by else ""),
                   id=port.name) for port in ports()
        ]  # fmt: skip
        if not found:
            self.say(
                "No serial port is present. A meter without a lead is typed in; its values count like any other's."
            )
        return found or [Option("Look again", id="")]

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Listen in a thread of its own."""
        port = event.option.id or ""
        if not port:
            self.fill()
            return
        self.say(f"Listening to {port} ...")
        self.run_worker(lambda: self._guess(port), thread=True, exclusive=True)

    def _guess(self, port: str) -> None:
        from drivers.finding_out import guess

        try:
            text = guess(port).text
        except BenchError as exc:
            text = one_line(exc)
        if self.app.is_running:
            self.app.call_from_thread(self.say, text)


class SetupScreen(Form):
    """What a guided sitting needs: meters for the plan's roles, or a practice bench; how the radio is fed."""

    OWN = "my meters, below"

    def __init__(self, benchbook: Benchbook, radio: str, plan: str, *, practice: str = "") -> None:
        super().__init__()
        from logger.agenda import steps_of
        from logger.plan import load_plan

        self.benchbook, self.radio, self.practice = benchbook, radio, practice
        self.plan = load_plan(plan)
        wanted = dict.fromkeys(step.meter for step in steps_of(self.plan))
        self.roles = sorted((r for r in wanted if r not in self.plan.typed), key=lambda role: role != "v")

    def compose(self) -> ComposeResult:
        """Where the readings come from, the feed, the statement on the data link."""
        from drivers.practice_scenario import shipped
        from drivers.profile import names
        from logger.sitting import FED_FROM

        yield Static(f"{self.radio}: {self.plan.title}", classes="head", markup=False)
        yield Static(self.plan.caution, classes="text", id="text", markup=False)
        ports = _port_names()
        with VerticalScroll():
            yield _row("Readings come from", _choice((self.OWN, *shipped()), "source", self.practice or self.OWN))
            with Vertical(id="own") as own:
                own.display = not self.practice
                for index, role in enumerate(self.roles):
                    first = "typed" if index == 0 else "-"
                    words = ("typed", *(name for name in names() if name != "typed"))
                    words = words if index == 0 else ("-", *words)
                    yield _row(f"Meter '{role}'", _choice(words, f"profile-{role}", first))
                    yield _row("   its port", _choice((TYPED, *ports), f"port-{role}", TYPED))
                    yield _row("   or an address", Input(id=f"address-{role}", compact=True))
                stated = ("not stated", "I state that all are isolated")
                yield _row("Meters' data links", _choice(stated, "isolated", "not stated"))
            yield _row("Radio is fed from", _choice(FED_FROM, "fed", "mains"))
            yield Button("Start", id="start")
        yield from foot(FORM_KEYS)

    def on_mount(self) -> None:
        """A practice wants no more than Enter."""
        if self.practice:
            self.call_after_refresh(self.query_one("#start", Button).focus)

    def on_select_changed(self, event: Select.Changed) -> None:
        """A practice bench has its own meters: there is nothing to say of them."""
        if event.select.id == "source":
            self.query_one("#own").display = event.value == self.OWN

    def _meters(self, scenario: str) -> list[BenchMeter]:
        from logger.benchmeter import meters_of
        from logger.walking import practice_meters

        if scenario:
            return practice_meters(scenario, self.plan)
        texts = []
        for role in self.roles:
            profile, port = self.chosen(f"profile-{role}"), self.field(f"address-{role}") or self.chosen(f"port-{role}")
            if profile != "-":
                at = "" if profile == "typed" or port == TYPED else f"@{port}"
                texts.append(f"{role}={profile}{at}")
        return meters_of(texts)

    def on_button_pressed(self) -> None:
        """Open everything, then show the bench; what is refused is said here."""
        from logger.walking import Walk, prepare

        scenario = "" if self.chosen("source") == self.OWN else self.chosen("source")
        clock = self.app.bench_clock if isinstance(self.app, StartApp) else None
        isolated = self.chosen("isolated") != "not stated"
        try:
            walk = Walk(radio=self.radio, plan=self.plan, meters=self._meters(scenario), practice=scenario,
                        fed_from=self.chosen("fed"), clock=clock, link_isolated=isolated)  # fmt: skip
            guided = prepare(self.benchbook, walk)
        except BenchError as exc:
            self.say(one_line(exc))
            return
        running = RunningScreen(guided)
        if isinstance(self.app, StartApp):
            self.app.running.append(running)
        self.app.switch_screen(running)


def _port_names() -> list[str]:
    from drivers.portlist import ports

    return [port.name for port in ports()]


class RunningScreen(BenchScreen):
    """A guided sitting started from the start screen: it runs in a thread and is closed when the screen is left."""

    def __init__(self, guided: Guided) -> None:
        super().__init__(guided.bench, guided.guide, guided.sitting, self._leave)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sitting", daemon=True)
        self.outcome = ""

    def on_mount(self) -> None:
        """Begin to record."""
        super().on_mount()
        self._thread.start()

    def _run(self) -> None:
        def wait(sitting: Sitting) -> None:
            self.guide.start(sitting)
            self._stop.wait()
            self.guide.stop()

        try:
            done = self.sitting.run(wait)
            self.outcome = f"{counted(done.counters.rows, 'reading')} in {done.folder.name}"
            if done.unwritten:
                lost = counted(done.unwritten, "reading")
                self.outcome = f"{lost} could not be written: {done.counters.disk}"
        except BenchError as exc:
            self.outcome = one_line(exc)

    def close_sitting(self) -> None:
        """End it and wait until its session is closed."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=30)

    def _leave(self) -> None:
        self.run_worker(self._close, thread=True, exclusive=True)

    def _close(self) -> None:
        self.close_sitting()
        if self.app.is_running:
            self.app.call_from_thread(self._left)

    def _left(self) -> None:
        self.app.pop_screen()
        for head in self.app.screen.query("#head").results(Static):
            head.update(Text(without_controls(f"{self.sitting.plan.radio}   {self.outcome}")))
