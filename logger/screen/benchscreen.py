"""The bench screen: what each meter shows, what is asked now, the alarm. It only looks; threads behind it work.

Words carry every message; colour and reversed type only repeat them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Input, Static

from analysis.report.text import plain, without_controls
from drivers.reading import Reading
from drivers.units import counted, show
from logger.acts import Key, Phase, Say, View
from logger.alarm import Alarm
from logger.bench import Bench, MeterState
from logger.cautions import CAUTION_LINE, standing
from logger.guide import Guide
from logger.screen.figures import large, trace, value_and_unit
from logger.tags import changes_in

if TYPE_CHECKING:
    from logger.sitting import Sitting

#: The screen is drawn anew so many times a second at most.
DRAWN = 8
#: Terminals of so many rows have room for figures of twice the size.
TALL = 36
HELP = (
    "Enter or foot switch: done as asked   b: to the step before   s: skip it\n"
    "t: the protective device opened   m: what is missing   q: end the sitting\n"
    "i: open the line, to type what a meter without a lead shows: 117.4 V ac\n"
    "In the open line a letter and Enter does what its key does; Esc closes it."
)
HELP_LOG = (
    "i: open the line; there type plug=2 to change a tag, or what a meter without a\n"
    "lead shows, as 117.4 V ac   Esc: close it   q: end the sitting"
)
#: A meter that sent nothing for so long is said to be silent. [s]
QUIET = 3.0


class MeterPanel(Static):
    """One meter: role and function, large figures, the last minute."""

    def __init__(self, state: MeterState, *, typed: bool) -> None:
        super().__init__(classes="meter", markup=False)
        self.state, self._typed = state, typed

    def draw(self) -> None:
        """Show what it reads now."""
        state, width = self.state, max(20, self.size.width - 2)
        number, unit = value_and_unit(state.last)
        rows = large(number, 2 if self.app.size.height >= TALL and len(large(number)[0]) * 2 + 8 < width else 1)
        text = Text(no_wrap=True)
        text.append(f"{state.role}  {self._function(state)}\n", "bold")
        for index, row in enumerate(rows):
            text.append(row[: width - 6], "bold")
            text.append(f" {unit}\n" if index == len(rows) - 1 else "\n", "bold")
        text.append(self._span(state) + "\n")
        text.append(trace(list(state.trace), width))
        self.update(text)

    def _function(self, state: MeterState) -> str:
        if state.lost:
            return "PORT LOST, looking for it"
        last = state.last
        if last is None:
            return "nothing yet"
        silent = time.monotonic() - state.seen
        words = [_quantity(last), *last.flags]
        if last.status.value in ("held", "invalid"):
            words.append("HELD, not the value now" if last.status.value == "held" else "NO VALUE")
        if silent > QUIET and not self._typed:  # who types is always silent
            words.append(f"SILENT for {silent:.0f} s")
        return "  ".join(words)

    @staticmethod
    def _span(state: MeterState) -> str:
        span, last = state.span, state.last
        if span is None or last is None:
            return ""
        low, high = (show(value, last.unit, last.resolution) for value in span)
        return f"last minute {low} to {high}"


def _quantity(reading: Reading) -> str:
    from logger.moves import function_words

    return function_words(reading.quantity, reading.coupling)


class BenchScreen(Screen[None]):
    """One sitting as it runs.

    Args:
        ended: called when the user ends the sitting.
    """

    AUTO_FOCUS = ""  # the line is opened when it is wanted
    CSS = """
    BenchScreen { layout: vertical; }
    #alarm { height: 1; width: 100%; text-style: bold; }
    #alarm.on { height: 3; padding: 1; background: red; color: white; }
    #alarm.on:nocolor { text-style: bold reverse; }
    #meters { height: auto; border-bottom: solid $foreground 40%; border-subtitle-color: $foreground; }
    .meter { width: 1fr; height: auto; padding: 0 1; }
    #plan { height: 1fr; overflow: hidden; }
    #ask { height: auto; max-height: 8; padding: 0 1; text-style: bold; }
    #caution { height: auto; max-height: 3; padding: 0 1; color: $warning; text-style: bold; }
    #hint { height: auto; max-height: 2; padding: 0 1; }
    #standing { height: auto; max-height: 3; padding: 0 1; }
    #said { height: auto; padding: 0 1; }
    #answer { height: auto; max-height: 2; padding: 0 1; text-style: bold; }
    #state { height: 2; padding: 0 1; border-top: none; }
    #keys { height: auto; max-height: 2; padding: 0 1; text-style: reverse; }
    #line { height: 1; display: none; border: none; padding: 0 1; }
    #line.open { display: block; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space,f5,pagedown", "go", "done"), Binding("b,pageup", "back", "back"),
        Binding("s", "skip", "skip"), Binding("t", "trip", "tripped"), Binding("m", "missing", "missing"),
        Binding("i", "line", "type"), Binding("escape", "close_line", "close"),
        Binding("question_mark", "help", "help"), Binding("q,ctrl+c,ctrl+q", "end", "end"),
    ]  # fmt: skip

    class Changed(Message):
        """The alarm changed, or the plan asks for something else."""

    def __init__(self, bench: Bench, guide: Guide, sitting: Sitting, ended: Callable[[], None]) -> None:
        super().__init__()
        self.bench, self.guide, self.sitting, self._ended = bench, guide, sitting, ended
        self._said, self._answer, self._aside, self._opened_for = "", "", "", ""
        self._sure = False
        bench.on_alarm.append(self._alarm)
        self._asked: tuple[object, ...] = ()
        guide.on_change.append(self._plan_changed)
        guide.on_say.append(self._say)

    def compose(self) -> ComposeResult:
        """The parts, from the alarm down to the keys."""
        yield Static("", id="alarm", markup=False)
        with Horizontal(id="meters") as meters:
            meters.border_subtitle = Content(self._title())
            for state in self.bench.meters.values():
                yield MeterPanel(state, typed=state.role in self.sitting.typed)
        with Vertical(id="plan"):
            yield Static("", id="ask", markup=False)
            yield Static("", id="caution", markup=False)
            yield Static("", id="hint", markup=False)
            yield Static(self._standing(), id="standing", markup=False)
            yield Static("", id="said", markup=False)
        yield Static("", id="answer", markup=False)
        yield Static("", id="state", markup=False)
        yield Input(id="line", compact=True, placeholder="type here, then Enter")
        yield Static("", id="keys", markup=False)

    def _title(self) -> str:
        card, walker = self.sitting.card, self.guide.walker
        name = card.id if card.title == card.id else f"{plain(card.title)} ({card.id})"
        return f"{name}: {plain(walker.agenda.plan.title) if walker is not None else 'free recording'}"

    def _standing(self) -> str:
        walker = self.guide.walker
        return without_controls(standing(walker.agenda.plan.caution) if walker is not None else CAUTION_LINE)

    def on_mount(self) -> None:
        """Begin to look."""
        self.set_interval(1 / DRAWN, self.draw)
        self.draw()

    # -- from other threads; posting is all they do

    def _plan_changed(self) -> None:
        """Only another prompt is worth a message; how many readings hold still, the next drawing shows."""
        view = self.guide.view
        asked = (view.phase, view.step, view.do) if view is not None else ()
        if asked != self._asked:
            self._asked, self._answer = asked, ""
            self.post_message(self.Changed())

    def _alarm(self, _: Alarm) -> None:
        self.post_message(self.Changed())

    def _say(self, say: Say) -> None:
        self._said = say.text
        if say.beep:
            self.post_message(self.Beep())

    class Beep(Message):
        """A value was taken."""

    def on_bench_screen_beep(self) -> None:
        """Ring once."""
        self.app.bell()

    def on_bench_screen_changed(self) -> None:
        """Show it at once, the alarm first."""
        self._draw_alarm()
        self._draw_ask()

    # -- drawing

    def draw(self) -> None:
        """Show everything as it is now; a sitting without a plan ends when its meters are done."""
        if self.guide.walker is None and not self.sitting.recorder.running and self.bench.rows:
            self._ended()
            return
        for panel in self.query(MeterPanel):
            panel.draw()
        self._draw_alarm()
        self._draw_ask()
        self._draw_state()

    def _put(self, name: str, text: str) -> None:
        part = self.query_one(f"#{name}", Static)
        part.display = bool(text)
        part.update(Text(without_controls(text)))

    def _draw_alarm(self) -> None:
        bar, alarms = self.query_one("#alarm", Static), self.bench.alarms
        was = bar.has_class("on")
        bar.set_class(bool(alarms), "on")
        if alarms:
            bar.update(Text(without_controls("!!! ALARM !!! " + "  ".join(alarm.text for alarm in alarms))))
            if not was:
                self.app.bell()
        else:
            burdened = self.bench.tags.get("burden", "") not in ("", "none")
            by_current = "no alarm by the current through the burden: the metal may still be live"
            bar.update(Text(by_current if burdened else "no alarm (no reading of a touch point above its limit)"))

    def _draw_ask(self) -> None:
        view, led = self.guide.view, self.guide.walker is not None
        self._put("answer", self._answer)
        if view is None:
            self._put("ask", self._aside_words() or ("" if led else "Recording."))
            self._put("hint", "" if led else "i: type plug=2 to change a tag.")
            self._put("caution", "")
            self._put("said", self._said)
            return
        self._put("ask", self._aside_words() or f"{view.count}   {view.do}")
        self._put("caution", f"CAUTION: {view.caution}" if view.caution else "")
        self._put("hint", "Press q to end the sitting." if view.phase is Phase.DONE else f">>> {view.hint}")
        self._put("said", view.said if view.said != view.do else (view.takes[-1] if view.takes else ""))
        self._open_where_typed(view)

    def _aside_words(self) -> str:
        """What was asked for in place of the prompt, if anything."""
        view = self.guide.view
        if self._aside == "help":
            return f"Keys (? closes this):\n{HELP if self.guide.walker is not None else HELP_LOG}"
        if self._aside == "missing" and view is not None:
            lines = "\n".join(f"- {text}" for text in view.missing) or "Nothing was skipped so far."
            return f"Missing (m closes this):\n{lines}"
        return ""

    def _open_where_typed(self, view: View) -> None:
        """A step that wants a line has the line open."""
        typed = view.item is not None and view.item.role in self.sitting.typed and view.phase is Phase.READ
        wants = view.step if view.phase is Phase.TEXT or typed else ""
        if wants and wants != self._opened_for:
            self.action_line()
        elif not wants and self._opened_for:
            self.action_close_line()
        self._opened_for = wants

    def _draw_state(self) -> None:
        bench = self.bench
        held = "  ".join(f"{name}={value}" for name, value in self.sitting.tags.now.items() if value)
        disk = f"DISK REFUSES: {bench.disk or self.sitting.recorder.counters.disk}" if self._disk else "disk ok"
        lost = [role for role, state in bench.meters.items() if state.lost]
        waits = self.sitting.recorder.counters.waits
        more = (f"   LOST: {', '.join(lost)}" if lost else "") + (f"   {counted(waits, 'wait')}" if waits else "")
        rows, gaps = counted(bench.rows, "row"), counted(bench.gaps, "gap")
        self._put("state", f"tags: {held or 'none in force'}\n{rows}   {gaps}   {disk}{more}")
        self._put("keys", self._keys())

    def _keys(self) -> str:
        """Those that work now: a letter typed alone stands for its key while the line is open."""
        view, is_open = self.guide.view, self._line.has_class("open")
        if self._sure:
            return f"End with the plan not through? q{' and Enter' if is_open else ''} yes, Esc no"
        led = self.guide.walker is not None
        skip = ["s skip"] if view is not None and view.can_skip else []
        letters = ["b back", *skip, "t tripped", "m missing"] if led else []
        if is_open:
            return "  ".join(["Enter sends", "Esc closes", *letters, "? help", "q end"])
        return "  ".join([*(["Enter done"] if led else []), *letters, "i type", "? help", "q end"])

    @property
    def _line(self) -> Input:
        return self.query_one("#line", Input)

    @property
    def _disk(self) -> bool:
        return bool(self.sitting.recorder.counters.disk)

    # -- keys

    def action_go(self) -> None:
        """Done as asked."""
        self.guide.key(Key.GO)

    def action_back(self) -> None:
        """Redo the step before."""
        self.guide.key(Key.BACK)

    def action_skip(self) -> None:
        """Leave this step out."""
        self.guide.key(Key.SKIP)

    def action_trip(self) -> None:
        """The protective device opened."""
        self.guide.key(Key.TRIP)

    def action_missing(self) -> None:
        """Show or hide what was skipped."""
        self._aside = "" if self._aside == "missing" else "missing"
        self._draw_ask()

    def action_help(self) -> None:
        """Show or hide what the keys do."""
        self._aside = "" if self._aside == "help" else "help"
        self._draw_ask()

    def action_line(self) -> None:
        """Open the line."""
        self._line.add_class("open")
        self._line.focus()

    def action_close_line(self) -> None:
        """Close the line, or take back the wish to end."""
        self._sure = False
        self._line.remove_class("open")
        self._line.value = ""
        self.set_focus(None)

    def action_end(self) -> None:
        """End the sitting; a plan that is not through is asked about once."""
        through = self.guide.walker is None or self.guide.ended.is_set() or self.guide.broken
        if through or self._sure:
            self._ended()
        else:
            self._sure = True
            self._draw_state()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """A typed line: a tag, a step's text, or a typed meter's value."""
        from logger.screen.plainwalk import typed_line

        text, view = event.value.strip(), self.guide.view
        event.input.value = ""
        if not text:
            return
        self._answer, changes = "", changes_in(text)
        if self._key_alone(text):
            return
        if view is not None and view.phase is Phase.TEXT:
            self.guide.text(text)
        elif self.guide.walker is None and changes:
            told = " ".join(f"{name}={value}" for name, value in changes.items())
            self._said = self.sitting.change_tags(changes) or f"From now on {told}."
        else:
            self._answer = typed_line(self.sitting, text, view)
        if not self._opened_for:
            self.action_close_line()
        self._draw_ask()

    def _key_alone(self, text: str) -> bool:
        """Do what a key does that was typed alone into the line; whether it was one."""
        keys = {"q": self.action_end, "?": self.action_help}
        if self.guide.walker is not None:
            keys |= {"b": self.action_back, "s": self.action_skip, "t": self.action_trip, "m": self.action_missing}
        if text in keys:
            keys[text]()
        return text in keys
