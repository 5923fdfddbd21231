"""The start screen: radios with their level, a new card, ports, practice; from here the whole job can be done."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.strip import Strip
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from analysis.report.text import without_controls
from drivers.reading import BenchError
from drivers.units import counted
from logger.cautions import CAUTION_LINE, by_current
from logger.radio import Benchbook

if TYPE_CHECKING:
    from analysis.assessment import Assessment

LIST_CSS = """
.head { height: auto; padding: 0 1; text-style: bold; }
.text { height: auto; padding: 0 1; }
OptionList { height: 1fr; border: none; }
OptionList > .option-list--option-highlighted, OptionList:focus > .option-list--option-highlighted {
    color: $foreground; background: $surface; text-style: bold;
}
.caution { height: 1; padding: 0 1; text-style: bold; }
.keys { height: 1; padding: 0 1; text-style: reverse; }
"""
BACK: list[BindingType] = [Binding("escape", "back", "back")]


def one_line(exc: BaseException) -> str:
    """An error for a person, on one line."""
    return " ".join(str(exc).split())


class Choices(OptionList):
    """A list whose marked line is in reverse video: that shows without colours too, and style sheets cannot say it."""

    def render_line(self, y: int) -> Strip:
        """One line of the list."""
        strip = super().render_line(y)
        marked = any(part.style is not None and part.style.meta.get("option") == self.highlighted for part in strip)
        return strip.apply_style(Style(reverse=True)) if marked and self.highlighted is not None else strip


def foot(keys: str) -> ComposeResult:
    """The lines at the bottom of every page: the caution, the keys."""
    yield Static(CAUTION_LINE, classes="caution", markup=False)
    yield Static(keys, classes="keys", markup=False)


class Listed(Screen[None]):
    """A screen with a heading, a list to choose from, and the keys."""

    CSS = LIST_CSS
    BINDINGS: ClassVar[list[BindingType]] = BACK
    AUTO_FOCUS = "OptionList"  # not the text above it, which can be scrolled
    HEAD = ""
    KEYS = "Up and Down, Enter chooses   Esc back"

    def compose(self) -> ComposeResult:
        """Heading, list, keys."""
        yield Static(self.HEAD, classes="head", id="head", markup=False)
        yield Static("", classes="text", id="text", markup=False)
        yield Choices(markup=False)
        yield from foot(self.KEYS)

    def choices(self) -> list[Option | None]:
        """What can be chosen; None draws a line."""
        raise NotImplementedError

    def fill(self) -> None:
        """Show the choices anew, the same one marked as before."""
        options = self.query_one(OptionList)
        marked = options.highlighted or 0
        options.clear_options()
        options.add_options(self.choices())
        options.highlighted = min(marked, options.option_count - 1) if options.option_count else None

    def on_screen_resume(self) -> None:
        """What was done meanwhile shows."""
        self.fill()

    def say(self, text: str) -> None:
        """A line under the heading."""
        self.query_one("#text", Static).update(Text(without_controls(text)))

    def action_back(self) -> None:
        """To the screen before."""
        self.app.pop_screen()


class StartScreen(Listed):
    """Where the program begins."""

    HEAD = "chassislog   how the metal of an old radio stands to the mains"
    KEYS = "Up and Down, Enter chooses   q quits"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("q,escape,ctrl+c,ctrl+q", "quit_all", "quit")]

    def __init__(self, benchbook: Benchbook) -> None:
        super().__init__()
        self.benchbook = benchbook
        self._judged: dict[str, str] = {}

    def choices(self) -> list[Option | None]:
        """Radios, what can be begun, practice scenarios."""
        from drivers.practice_scenario import load, shipped

        radios: list[Option | None] = [
            Option(f"{radio:18} {self._judged.get(radio, 'judging ...')}", id=f"radio:{radio}")
            for radio in self.benchbook.ids()
        ]
        practice = [Option(f"Practise: {load(name).title}", id=f"practice:{name}") for name in shipped()]
        return [
            *radios, Option("New radio: fill in its card", id="new"), Option("Ports: what is plugged in", id="ports"),
            None, *practice, None, Option("Quit", id="quit"),
        ]  # fmt: skip

    def on_screen_resume(self) -> None:
        """Show the radios, and judge them beside."""
        self.say(f"Benchbook: {self.benchbook.folder}\nPlug out before you touch.")
        self.fill()
        self.run_worker(self._judge, thread=True, exclusive=True)

    def _judge(self) -> None:
        for radio in self.benchbook.ids():
            self._judged[radio] = _summary(self.benchbook, radio)
        if self.is_current and self.app.is_running:
            self.app.call_from_thread(self.fill)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Go where it leads."""
        from logger.screen.forms import CardScreen, PortsScreen

        kind, _, name = (event.option.id or "").partition(":")
        if kind == "radio":
            self.app.push_screen(RadioScreen(self.benchbook, name))
        elif kind == "practice":
            self._practise(name)
        elif kind == "new":
            self.app.push_screen(CardScreen(self.benchbook))
        elif kind == "ports":
            self.app.push_screen(PortsScreen())
        elif kind == "quit":
            self.action_quit_all()

    def _practise(self, scenario: str) -> None:
        from logger.walking import practice_card

        radio = f"practice-{scenario}"
        try:
            practice_card(self.benchbook, radio, scenario)
        except BenchError as exc:
            self.say(one_line(exc))
            return
        self.app.push_screen(RadioScreen(self.benchbook, radio, practice=scenario))

    def action_quit_all(self) -> None:
        """Leave."""
        self.app.exit()


def assessed(benchbook: Benchbook, radio: str) -> Assessment:
    """What the judgement makes of a radio. Raises: BenchError."""
    from analysis.assess import assess
    from analysis.table import load_radio

    return assess(load_radio(benchbook.radio_folder(radio)))


def _summary(benchbook: Benchbook, radio: str) -> str:
    """Level and what is missing, in a line."""
    try:
        result = assessed(benchbook, radio)
    except BenchError as exc:
        return f"cannot be judged: {one_line(exc)}"
    if not result.sessions:
        return "nothing measured yet"
    measured = (
        "fully measured"
        if result.fully_measured
        else f"NOT FULLY MEASURED, {counted(len(result.missing), 'thing')} missing"
    )
    return f"{result.level.upper():9}  {measured}"


class RadioScreen(Listed):
    """One radio: its level, what is missing, plans to start, its report."""

    KEYS = "Up and Down, Enter chooses   Esc back"
    CSS = LIST_CSS + "\n#found { height: auto; max-height: 9; padding: 0 1; }"

    def __init__(self, benchbook: Benchbook, radio: str, practice: str = "") -> None:
        super().__init__()
        self.benchbook, self.radio, self.practice = benchbook, radio, practice

    def compose(self) -> ComposeResult:
        """Heading, what was found, choices, keys."""
        yield Static(self.radio, classes="head", id="head", markup=False)
        with VerticalScroll(id="found"):
            yield Static("judging ...", classes="text", id="text", markup=False)
        yield Choices(markup=False)
        yield from foot(self.KEYS)

    def choices(self) -> list[Option | None]:
        """Plans, then the report."""
        from logger.plan import load_plan, shipped

        order = sorted(shipped(), key=lambda name: (name != "chassis", name == "hand-over", name))
        plans = [Option(f"Start plan {name}: {load_plan(name).title}", id=f"plan:{name}") for name in order]
        shown = Option("Write the report and open it in the browser", id="open")
        return [*plans, None, Option("Write the report", id="report"), shown, Option("Back", id="back")]

    def on_screen_resume(self) -> None:
        """Judge it anew."""
        self.fill()
        self.run_worker(self._judge, thread=True, exclusive=True)

    def _judge(self) -> None:
        try:
            result = assessed(self.benchbook, self.radio)
        except BenchError as exc:
            text = f"It cannot be judged: {one_line(exc)}"
        else:
            found = [f"{f.level.upper():9} {f.title}{by_current(f)}" for f in result.findings]
            measured = "" if result.fully_measured else "   NOT FULLY MEASURED"
            lacking = [f"missing: {text}" for text in result.missing]
            text = (
                "\n".join([f"{result.level.upper()}{measured}", *found, *lacking])
                if result.sessions
                else ("Nothing measured yet. The chassis plan comes first.")
            )
        if self.app.is_running:
            self.app.call_from_thread(self.say, text)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Start a plan, or write the report."""
        from logger.screen.forms import SetupScreen

        kind, _, name = (event.option.id or "").partition(":")
        if kind == "plan":
            self.app.push_screen(SetupScreen(self.benchbook, self.radio, name, practice=self.practice))
        elif kind in ("report", "open"):
            self.say("Writing the report ...")
            self.run_worker(lambda: self._report(show=kind == "open"), thread=True)
        elif kind == "back":
            self.action_back()

    def _report(self, *, show: bool) -> None:
        from logger.reporting import write_report

        try:
            path = write_report(self.benchbook.radio_folder(self.radio))[0]
            text = f"Report written: {path}"
            if show:
                import webbrowser

                text += "" if webbrowser.open(path.resolve().as_uri()) else " (no browser could be opened)"
        except BenchError as exc:
            text = one_line(exc)
        if self.app.is_running:
            self.app.call_from_thread(self.say, text)
