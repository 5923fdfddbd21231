"""The guided plan as a state machine: readings, keys and time are handed in; prompts, takes, tags and events come out.

No thread and no clock of its own. Two rules hold everywhere: what a meter cannot see is credited only when a key
confirmed it, and a value counts only if every row of it arrived under the tags of its own item. The file is longer than
others, since all states of one machine are moved from here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.reading import Coupling, Quantity, Reading, Status
from logger.acts import Act, Key, Measure, Note, Phase, Say, SetTags, View
from logger.agenda import Agenda, Item, Record
from logger.moves import START, Move, Moves, function_words, typed_example
from logger.settle import Settled, Settler
from logger.settledwords import against_proof, out_of_bounds, shown

#: A meter that was silent for longer shows nothing. [s]
SILENT = 3.0
#: So many readings in a row tell that a value was let go of, or that the knob was turned: one can be a bad frame.
IN_A_ROW = 2


@dataclass(slots=True)
class _Shown:
    """What a meter shows."""

    elapsed: float
    quantity: Quantity
    coupling: Coupling
    wrong: int = 0  #: readings in a row in another function than is wanted


@dataclass(slots=True)
class _Done:
    """One entry of what `back` takes back."""

    item: Item
    kind: str
    take: int = 0


@dataclass(slots=True)
class _Armed:
    """An item that is being read."""

    item: Item
    tags: dict[str, str]
    settler: Settler
    refused: Settled | None = None  #: settled, but not taken: it has to change first
    out: int = 0


class Walker:
    """Walks one agenda. Every call returns what is to be done now, in order."""

    def __init__(self, agenda: Agenda, *, typed: Sequence[str] = ()) -> None:
        self.agenda, self.record, self.place = agenda, Record(), dict(START)
        self.said = ""
        self._size = agenda.size
        self.missing: list[str] = []
        self.takes: list[str] = []
        self._moves, self._typed = Moves(agenda), frozenset(typed)
        self._shown: dict[str, _Shown] = {}
        self._stale: dict[str, Settled] = {}  #: taken by that meter, and not let go of since
        self._leaving: dict[str, int] = {}
        self._channels: dict[tuple[str, Quantity, Coupling], str] = {}  #: the channel that a meter is read on
        self._fresh: set[str] = set()  #: items whose clip did not move since
        self._left_out: dict[str, list[Item]] = {}  #: item -> those skipped because they need it
        self._history: list[_Done] = []
        self._superseded: dict[str, int] = {}  #: item -> take that its next one supersedes
        self._ids = 0
        self._tripped = False
        self._armed: _Armed | None = None
        self._item: Item | None = None
        self._move: Move | None = None
        self._phase = Phase.MOVE
        self._now = self._ordered = 0.0
        self._told: tuple[object, ...] = ()
        self._changed = True  #: what was done or where something is: the next item has to be found anew
        self._acts: list[Act] = []

    # -- what comes in

    def start(self, now: float) -> list[Act]:
        """Begin."""
        self._acts.append(SetTags({}))
        return self._go_on(now)

    def tick(self, now: float) -> list[Act]:
        """Time went by."""
        return self._go_on(now)

    def reading(self, role: str, reading: Reading, row: int, tags: Mapping[str, str], now: float) -> list[Act]:
        """One reading, its row in readings.csv and the tags that it was recorded with."""
        if reading.channel and not self._is_asked(role, reading):
            return self._go_on(now)  # another value of the same line
        if reading.status is not Status.INVALID:
            self._see(role, reading)
        self._let_go(role, reading)
        armed = self._armed
        if armed is not None and armed.item.role == role and _set(tags) == armed.tags:
            self._read(armed, reading, row)
        return self._go_on(now)

    def key(self, key: Key, now: float) -> list[Act]:
        """A key, or the foot switch."""
        {Key.GO: self._confirm, Key.BACK: self._back, Key.SKIP: self._skip, Key.TRIP: self._trip}[key]()
        return self._go_on(now)

    def text(self, line: str, now: float) -> list[Act]:
        """A typed line for a step that asks for one."""
        if self._phase is Phase.TEXT and self._item is not None and line.strip():
            self._note("note", {"step": self._item.id, "text": line.strip()})
            self._finish(self._item)
        return self._go_on(now)

    # -- what goes out

    @property
    def done(self) -> bool:
        """Whether the plan is through."""
        return self._phase is Phase.DONE

    @property
    def view(self) -> View:
        """What a screen shows."""
        item, move = self._item, self._move
        do, caution = self.agenda.plan.title + ": all done.", ""
        if move is not None:
            do, caution = move.do, move.caution
        elif item is not None:
            do, caution = item.do, item.caution
        return View(
            phase=self._phase, title=self.agenda.plan.title, step=item.id if item else "", do=do, caution=caution,
            hint=self._hint(), said=self.said, done=len(self._history), size=self._size, about=self.agenda.open_ended,
            takes=tuple(self.takes[-5:]), missing=tuple(self.missing), move=move, item=item,
            can_skip=item is not None and item.step.skip,
        )  # fmt: skip

    def _hint(self) -> str:
        if self._phase is Phase.MOVE and self._move is not None and self._move.kind == "function":
            by_hand = self._role in self._typed
            return "Then press Enter." if by_hand else f"Goes on by itself when meter '{self._role}' shows it."
        if self._phase in (Phase.MOVE, Phase.CONFIRM):
            return "When it is done, press Enter or the foot switch."
        if self._phase is Phase.TEXT:
            return "Type it, then Enter."
        if self._phase is Phase.RELEASE:
            return "Let go of the value before, or press Enter."
        if self._armed is not None and self._armed.refused is not None:
            return f"Not taken. {self._armed.item.refused or 'Change it, or skip.'}"
        if self._armed is not None:
            if self._role in self._typed:
                step = self._armed.item.step
                return f"Type what meter '{self._role}' shows, such as {typed_example(step.quantity, step.coupling)}."
            held, wanted = self._armed.settler.progress
            return f"Hold still: {held} of {wanted} readings."
        return "All steps are through."

    @property
    def _role(self) -> str:
        return self._item.role if self._item is not None else ""

    def _say(self, text: str, *, beep: bool = False) -> None:
        self.said = text
        self._acts.append(Say(text, beep))

    def _note(self, kind: str, detail: Mapping[str, str], role: str = "") -> None:
        self._acts.append(Note(kind, dict(detail), role))

    # -- readings

    def _is_asked(self, role: str, reading: Reading) -> bool:
        """Of a meter with several values, whether this is the one of its channels that the item is read on."""
        item = self._item
        if item is None or item.role != role or not item.accepts(reading.quantity, reading.coupling):
            return False
        return self._channels.setdefault((role, reading.quantity, reading.coupling), reading.channel) == reading.channel

    def _see(self, role: str, reading: Reading) -> None:
        shown = self._shown.get(role)
        wanted = self._item.function if self._item is not None and self._item.role == role else None
        right = wanted is None or (self._item is not None and self._item.accepts(reading.quantity, reading.coupling))
        wrong = 0 if right else (shown.wrong + 1 if shown is not None else IN_A_ROW)
        self._shown[role] = _Shown(reading.elapsed, reading.quantity, reading.coupling, wrong)

    def _let_go(self, role: str, reading: Reading) -> None:
        """A value that was taken is let go of when readings leave its band."""
        stale = self._stale.get(role)
        if stale is None or reading.status not in (Status.OK, Status.OVERLOAD):
            return
        self._leaving[role] = 0 if stale.holds(reading) else self._leaving.get(role, 0) + 1
        if self._leaving[role] >= IN_A_ROW:
            self._stale.pop(role)

    def _read(self, armed: _Armed, reading: Reading, row: int) -> None:
        item = armed.item
        if reading.status is Status.HELD:
            self._once(f"Meter '{item.role}' holds its display: that is not the value now. Not taken.")
        elif reading.status is not Status.INVALID and not item.accepts(reading.quantity, reading.coupling):
            shown = function_words(reading.quantity, reading.coupling)
            wanted = function_words(item.step.quantity, item.step.coupling)
            self._once(f"Meter '{item.role}' shows {shown}; {wanted} are asked for. Not taken.")
            armed.settler = Settler(item.rule, since=reading.elapsed)
            return
        if armed.refused is not None:
            armed.out = 0 if armed.refused.holds(reading) else armed.out + 1
            if armed.out < IN_A_ROW:
                return
            armed.refused = None
        settled = armed.settler.feed(reading, row)
        if settled is None:
            return
        reason = out_of_bounds(item, settled)
        if reason:
            armed.refused, armed.out = settled, 0
            armed.settler = Settler(item.rule, since=reading.elapsed - item.rule.wait)
            self._say(f"{reason} {item.refused}".strip())  # no beep: one would pass for a take
            self.said = reason  # the rest is the hint
        else:
            self._take(item, settled)

    def _once(self, text: str) -> None:
        if text != self.said:
            self._say(text)

    def _take(self, item: Item, settled: Settled) -> None:
        self._ids += 1
        value = "" if settled.value is None else f"{settled.value:.9g}"
        detail = {"id": str(self._ids), "step": item.id, "quantity": str(settled.quantity),
                  "coupling": str(settled.coupling), "value": value, "unit": settled.unit,
                  "scatter": f"{settled.scatter:.3g}", "rows": f"{settled.first}-{settled.last}"}  # fmt: skip
        if settled.value is None:
            detail["status"] = "overload"
        if item.id in self._superseded:
            detail["supersedes"] = str(self._superseded.pop(item.id))
        channel = self._channels.get((item.role, settled.quantity, settled.coupling), "")
        self._note("take", detail, f"{item.role}.{channel}" if channel else item.role)
        self._stale[item.role], self._leaving[item.role] = settled, 0
        self.place.update({key: value for key, value in item.place.items() if key == "socket"}, confirmed="")
        self.record.taken[item.id] = settled
        self._fresh.add(item.id)
        self._history.append(_Done(item, "take", self._ids))
        self.takes.append(f"{item.id}: {shown(settled)}")
        self._say(f"Taken: {shown(settled)}.", beep=True)
        doubt = against_proof(item.tags.get("point", ""), settled, self.agenda.card.nominal_mains)
        if doubt:
            self._say(doubt)
        self._changed = True
        self._disarm()

    # -- keys

    def _confirm(self) -> None:
        item, move = self._item, self._move
        if self._phase is Phase.MOVE and move is not None:
            if move.kind == "function" and self._role not in self._typed:
                self._say(f"Meter '{self._role}' does not show it yet.")
                if item is not None and self._now - self._ordered > SILENT:  # setting it again costs it readings
                    self._order(item)
                return
            self._moved(move)
        elif self._phase is Phase.CONFIRM and item is not None:
            self._note("note", {"step": item.id, "confirmed": "yes"})
            self._finish(item)
        elif self._phase is Phase.RELEASE:
            self._stale.pop(self._role, None)

    def _moved(self, move: Move) -> None:
        for key, value in move.changes.items():
            if key == "trip":
                self._tripped = False
            self.place[key] = value
            if key.startswith("clip:"):
                self._fresh = {i for i in self._fresh if self.record.taken[i].unit != "Ohm"}
        if self._item is not None:
            self.place["confirmed"] = self._item.id
        self._changed = True
        self._stale.clear()  # whatever stands still from now on, stands still after the key

    def _skip(self) -> None:
        item = self._item
        if item is None or self._phase is Phase.DONE:
            return
        if not item.step.skip:
            self._say("This step cannot be skipped.")
            return
        self._skip_item(item)
        self._history.append(_Done(item, "skip"))

    def _skip_item(self, item: Item) -> None:
        self._note("skip", {"step": item.id, "missing": item.missing, **item.tags})
        if item.missing not in self.missing:
            self.missing.append(item.missing)
        self.said = f"Skipped. Missing: {item.missing}."
        self.record.skipped.add(item.id)
        self._left_out.setdefault(item.needs, []).append(item)
        self._changed = True
        self._disarm()

    def _finish(self, item: Item) -> None:
        self.record.done.add(item.id)
        self._history.append(_Done(item, "done"))
        self._changed = True
        self._disarm()

    def _back(self) -> None:
        if not self._history:
            self._say("There is no step before this one.")
            return
        last = self._history.pop()
        item = last.item
        self.record.taken.pop(item.id, None)
        for kept in (self.record.done, self.record.skipped, self.record.tripped, self._fresh):
            kept.discard(item.id)
        if last.kind == "take":
            self._superseded[item.id] = last.take
        elif last.kind == "skip":
            for left in (item, *self._left_out.pop(item.id, ())):
                self.record.skipped.discard(left.id)
                if left.missing in self.missing:
                    self.missing.remove(left.missing)
        self._note("note", {"step": item.id, "back": "yes"})
        self._changed = True
        self._disarm()
        self._say(f"Back to {item.id}.")

    def _trip(self) -> None:
        item = self._item
        if item is None or "plug" not in item.tags or (self.place.get("plug") == "out" and not self._plugging):
            self._say("No state of the plug is being read: nothing was noted.")
            return
        self._note("trip", {"step": item.id, **item.tags}, item.role)
        self.place["plug"], self._tripped = item.tags["plug"], True
        self.record.tripped.add(item.id)
        self._history.append(_Done(item, "trip"))
        self._changed = True
        self._disarm()
        self._say("Noted: the protective device opened. That is evidence.", beep=True)

    @property
    def _plugging(self) -> bool:
        return self._move is not None and self._move.kind.startswith("plug-")

    # -- going on

    def _disarm(self) -> None:
        """Rows that arrive until the next item is armed belong to none."""
        if self._armed is not None:
            self._acts.append(SetTags({}))
        self._armed = None

    def _go_on(self, now: float) -> list[Act]:
        self._now = now
        if self._changed:
            self._item, self._changed = self._next_item(), False
            anew = self._item is not None and self.record.settled(self._item.id)  # its clip was elsewhere since
            self._size = len(self._history) + self.agenda.left(self.record) + anew
        self._move = self._moves.next(self._item, self.place, tripped=self._tripped, shown=self._is_shown(now))
        self._phase = self._phase_now()
        if self._armed is not None and (self._phase is not Phase.READ or self._armed.item is not self._item):
            self._disarm()
        if self._phase is Phase.READ and self._armed is None and self._item is not None:
            tags = {**self._item.tags, "step": self._item.id}
            self._armed = _Armed(self._item, tags, Settler(self._item.rule, since=now))
            self._acts.append(SetTags(tags, self._item.role))
        self._tell()
        acts, self._acts = self._acts, []
        return acts

    def _next_item(self) -> Item | None:
        while True:
            item = self.agenda.next(self.record, self.place)
            if item is None or not item.needs:
                break
            if item.needs in self.record.skipped:
                self._skip_item(item)
                continue
            if item.needs not in self._fresh:  # the clip was elsewhere since: show again that it has contact
                return next((i for i in self.agenda.items() if i.id == item.needs), item)
            break
        # The same item keeps its identity: burden items are made anew at each look.
        if item is not None and self._item is not None and item.id == self._item.id:
            return self._item
        return item

    def _is_shown(self, now: float) -> bool:
        item = self._item
        if item is None or item.function is None:
            return True
        if item.role in self._typed:
            wanted = f"{item.step.quantity} {item.step.coupling}".strip()
            return self.place.get(f"function:{item.role}", "") == wanted
        shown = self._shown.get(item.role)
        if shown is None:
            return False
        if not item.accepts(shown.quantity, shown.coupling):
            return self._armed is not None and 0 < shown.wrong < IN_A_ROW
        # A meter that fell silent must not let the plug be put in; once it is in, pulling it helps nobody.
        return self.place.get("plug") != "out" or now - shown.elapsed <= SILENT

    def _phase_now(self) -> Phase:
        item = self._item
        if self._move is not None:
            return Phase.MOVE
        if item is None:
            return Phase.DONE
        if item.step.kind != "take":
            return Phase.CONFIRM if item.step.kind == "confirm" else Phase.TEXT
        return Phase.RELEASE if item.role in self._stale else Phase.READ

    def _order(self, item: Item) -> None:
        self._ordered = self._now
        self._acts.append(Measure(item.role, item.step.quantity, item.step.coupling))

    def _tell(self) -> None:
        """Say a prompt when it changes; set a meter's function when that is what is waited for."""
        key = (self._phase, self._item.id if self._item else "", self._move.kind if self._move else "",
               tuple(self._move.changes.items()) if self._move else ())  # fmt: skip
        if key == self._told:
            return
        before, self._told = self._told, key
        move, item = self._move, self._item
        if move is not None and move.kind == "function" and item is not None:
            self._order(item)
        view = self.view
        same_words = self._phase is Phase.READ and move is None and before[1:3] == (view.step, "socket")
        if not same_words:
            self._acts.append(Say(view.do))


def _set(tags: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in tags.items() if value}
