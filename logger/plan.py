"""A plan: TOML in, checked, frozen objects out. Steps are templates; the radio's card and the burden box fill them."""

from __future__ import annotations

import string
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

import msgspec

from drivers.reading import UNITS, BenchError, Coupling, Quantity, in_plain_words, reason_of
from drivers.units import UnitError, parse, parse_fraction
from logger.settle import SettleRule

#: What a step can be repeated for, in the order of the plan's file.
EACH = ("pin", "switch", "point", "state", "burden", "arrangement", "load")
#: What the hands do between two steps; every plan may word them anew.
MOVES = ("unplug", "plug-1", "plug-2", "plug-2-crossed", "plug-2-unknown", "plug-in", "switch-on", "switch-off",
         "clip", "common", "burden", "no-burden", "socket", "off-socket", "reset", "load", "no-load",
         "arrangement", "function")  # fmt: skip
#: Words in braces that a sentence may use.
WORDS = frozenset(("point", "pin", "plug", "switch", "burden", "load", "arrangement", "meter", "function", "mains",
                   "clip", "common", "dissipation", "volts"))  # fmt: skip


class PlanError(BenchError):
    """A plan that cannot be read, or not be walked; the message names the file and the key."""


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a plan; a key that is not listed is refused."""


class Settle(_Part, frozen=True, kw_only=True):
    """[settle]: when a value is taken."""

    readings: int = 5
    within: str = "0.5 %"
    counts: float = 3.0
    wait: str = "1 s"

    def rule(self) -> SettleRule:
        """The rule in figures."""
        return SettleRule(readings=self.readings, fraction=parse_fraction(self.within), counts=self.counts,
                          wait=parse(self.wait, "s"))  # fmt: skip


class MoveWords(_Part, frozen=True, kw_only=True):
    """[moves.NAME]: what to do between two steps."""

    do: str
    caution: str = ""


class Step(_Part, frozen=True, kw_only=True):
    """[[step]]: one thing to do and, mostly, one value to take."""

    id: str
    do: str  #: in a sentence
    kind: Literal["take", "confirm", "text"] = "take"
    caution: str = ""
    each: tuple[Literal["pin", "switch", "point", "state", "burden", "arrangement", "load"], ...] = ()
    repeats: int = 1  #: of the whole run of neighbouring steps with the same `each`, in alternation
    loads: tuple[str, ...] = ()  #: for each = load
    when: Literal["", "earth-pin"] = ""
    tags: dict[str, str] = {}
    meter: str = "v"  #: role
    quantity: Quantity = Quantity.VOLTAGE
    coupling: Coupling = Coupling.NONE
    also: tuple[Quantity, ...] = ()  #: quantities that do as well
    plug: Literal["", "out", "in", "1", "2"] = ""  #: `1` and `2` come from the state
    socket: Literal["", "line", "neutral"] = ""  #: the probe is at the socket's contact
    clip: str = ""  #: where the meter's probe is clipped on
    common: str = ""  #: where its common lead is
    confirm: bool = False  #: even when nothing has to be moved before it
    release: Literal["key", "reading"] = "key"
    above: str = ""  #: what it must exceed to be taken, or a percentage of the card's mains
    below: str = ""  #: what its size must not reach
    refused: str = ""  #: what to do where the value lies beyond them
    needs: str = ""  #: a step without which this one proves nothing
    settle: Settle | None = None
    skip: bool = False
    missing: str = ""  #: what skipping it leaves missing


class Plan(_Part, frozen=True, kw_only=True):
    """One plan."""

    schema: int
    name: str
    title: str
    about: str = ""
    caution: str = ""
    touch: bool = False  #: it probes touchable metal: link, feed and alarm matter
    stage: str = ""  #: where the sitting names none
    include: str = ""  #: a shipped plan whose steps come first
    points: tuple[str, ...] = ()  #: added to the card's
    arrangements: tuple[str, ...] = ("A", "B")
    typed: tuple[str, ...] = ()  #: roles that are typed in where no meter has them
    settle: Settle = Settle()
    moves: dict[str, MoveWords] = {}
    step: tuple[Step, ...] = ()


def read_plan(text: str, where: str) -> Plan:
    """A plan from its text. Raises: PlanError: one line with the file, the key and what was expected."""
    try:
        plan = msgspec.convert(tomllib.loads(text), Plan)
    except tomllib.TOMLDecodeError as exc:
        raise PlanError(f"Not valid TOML: {exc}.", f"{where}.") from exc
    except msgspec.ValidationError as exc:
        what, key = in_plain_words(str(exc))
        raise PlanError(what, f"{where}, {f'key {key}' if key else 'at the top level'}.") from exc
    except RecursionError as exc:
        raise PlanError("Its tables are nested too deeply.", f"{where}.") from exc
    _check(plan, where)
    return plan


def _check(plan: Plan, where: str) -> None:
    def refuse(what: str, key: str, remedy: str = "") -> PlanError:
        return PlanError(what, f"{where}, key {key}.", remedy)

    if plan.schema != 1:
        raise refuse(f"Schema {plan.schema} is not known.", "schema", "This program reads schema 1.")
    if not plan.step and not plan.include:
        raise refuse("It has no step.", "step", "Write at least one [[step]].")
    if plan.include and plan.include not in shipped():
        raise refuse(f"There is no plan {plan.include!r}.", "include", f"Shipped are {', '.join(shipped())}.")
    if len(plan.arrangements) < 2 or len(set(plan.arrangements)) != len(plan.arrangements):
        raise refuse("Two different arrangements are the least.", "arrangements")
    for name, words in plan.moves.items():
        if name not in MOVES:
            raise refuse(f"There is no move {name!r}.", f"moves.{name}", f"Moves are {', '.join(MOVES)}.")
        for key, sentence in (("do", words.do), ("caution", words.caution)):
            _check_words(sentence, f"{where}, key moves.{name}.{key}.")
    _check_settle(plan.settle, f"{where}, key settle.")
    seen: set[str] = set()
    for index, step in enumerate(plan.step):
        place = f"step[{index}]"
        if not step.id or step.id in seen or any(c in step.id for c in ";%,\r\n"):
            raise refuse(f"{step.id!r} cannot be a step's id here.", f"{place}.id", "Give each step its own word.")
        if step.needs and step.needs not in seen:
            raise refuse(f"There is no earlier step {step.needs!r}.", f"{place}.needs")
        seen.add(step.id)
        _check_step(step, where, place)


def _check_settle(settle: Settle, place: str) -> None:
    try:
        rule = settle.rule()
    except UnitError as exc:
        raise PlanError(exc.what, place, exc.remedy) from exc
    if not (1 <= rule.readings <= 1000 and 0 <= rule.fraction <= 0.2 and 0 <= rule.counts <= 1000
            and 0 <= rule.wait <= 60):  # fmt: skip
        raise PlanError("A settle rule out of bounds.", place,
                        "1 to 1000 readings, within 20 %, up to 1000 counts, a wait up to 60 s.")  # fmt: skip


def _check_step(step: Step, where: str, place: str) -> None:
    for key in ("do", "caution", "missing", "clip", "common", "refused"):
        _check_words(getattr(step, key), f"{where}, key {place}.{key}.")
    for tag, value in step.tags.items():
        _check_words(value, f"{where}, key {place}.tags.{tag}.")
    if not 1 <= step.repeats <= 100:
        raise PlanError("1 to 100 repeats are possible.", f"{where}, key {place}.repeats.")
    if step.skip and not step.missing:
        raise PlanError("A step that may be skipped says what is then missing.", f"{where}, key {place}.missing.")
    if step.refused and not (step.above or step.below):
        raise PlanError("A step that refuses no value needs no words for it.", f"{where}, key {place}.refused.",
                        "Give it `above` or `below`.")  # fmt: skip
    if "load" in step.each and not step.loads:
        raise PlanError("A step for each load lists the loads.", f"{where}, key {place}.loads.")
    if step.settle is not None:
        _check_settle(step.settle, f"{where}, key {place}.settle.")
    for key in ("above", "below"):
        bound_of(getattr(step, key), step.quantity, 1.0, f"{where}, key {place}.{key}.")


def _check_words(sentence: str, place: str) -> None:
    try:
        names = [name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None]
    except ValueError as exc:
        raise PlanError(f"{exc}.", place, "A brace that is meant as such is written twice.") from exc
    unknown = [name for name in names if name not in WORDS]
    if unknown:
        raise PlanError(f"There is no word {{{unknown[0]}}}.", place, f"Words are {', '.join(sorted(WORDS))}.")


def bound_of(text: str, quantity: Quantity, mains: float | None, where: str) -> float | None:
    """A bound in the quantity's unit; a percentage is one of the card's mains, and none where that is not known."""
    if not text:
        return None
    try:
        if text.rstrip().endswith("%") and UNITS[quantity] != "%":
            return None if mains is None else parse_fraction(text) * mains
        return parse(text, UNITS[quantity])
    except UnitError as exc:
        raise PlanError(exc.what, where, exc.remedy) from exc


@cache
def shipped() -> dict[str, str]:
    """Shipped plans: name to TOML text."""
    folder = resources.files("logger") / "plans"
    return {
        entry.name.removesuffix(".toml"): entry.read_text("utf-8")
        for entry in sorted(folder.iterdir(), key=lambda e: e.name)
        if entry.name.endswith(".toml")
    }


def load_plan(named: str) -> Plan:
    """A shipped plan by its name, or one's own by its path. Raises: PlanError."""
    if named in shipped():
        return read_plan(shipped()[named], f"plan {named}")
    path = Path(named)
    if not path.suffix and not path.exists():
        raise PlanError(f"There is no plan {named!r}.", remedy=f"Shipped are {', '.join(shipped())}; else give a file.")
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError, ValueError) as exc:
        raise PlanError(f"The plan cannot be read: {reason_of(exc)}.", f"{named}.") from exc
    return read_plan(text, named)


@cache
def default_moves() -> dict[str, MoveWords]:
    """How the shipped chassis plan words the moves; a plan that words one itself wins."""
    return dict(read_plan(shipped()["chassis"], "plan chassis").moves)
