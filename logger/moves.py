"""What the hands do before an item can be read, one thing at a time, in the order that keeps them off live metal. Pure.

Clips, leads, resistors, wiring and a meter's knob are touched with the plug out only; the plug goes in only when the
meter shows the function that is wanted; the switch is set while the plug is out where that can be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.reading import Coupling, Quantity
from logger.agenda import Agenda, Item, filled
from logger.plan import MoveWords, default_moves

#: Where everything is when a plan begins: of the plug nothing is known, so it is asked to be pulled.
START: dict[str, str] = {"plug": "unknown", "burden": "none"}
_HANDS = ("arrangement", "clip", "common", "burden")
_UNITS = {
    Quantity.VOLTAGE: "volts", Quantity.CURRENT: "amperes", Quantity.RESISTANCE: "ohms",
    Quantity.CONTINUITY: "continuity", Quantity.DIODE: "diode test", Quantity.FREQUENCY: "hertz",
    Quantity.CAPACITANCE: "capacitance", Quantity.TEMPERATURE: "temperature", Quantity.POWER: "watts",
    Quantity.RATIO: "percent",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One thing that a person does and confirms."""

    kind: str
    do: str
    caution: str = ""
    changes: Mapping[str, str] = field(default_factory=dict)  #: what is then where


def function_words(quantity: Quantity, coupling: Coupling) -> str:
    """A meter's function for a person: "AC volts"."""
    mark = {Coupling.AC: "AC ", Coupling.DC: "DC ", Coupling.ACDC: "AC+DC "}.get(coupling, "")
    return mark + _UNITS[quantity]


#: As a meter may show them, for whoever types a value.
_SHOWN = {
    Quantity.VOLTAGE: "117.4 V", Quantity.CURRENT: "62.0 mA", Quantity.RESISTANCE: "4.7 kohm, or OL",
    Quantity.CONTINUITY: "0.4 ohm continuity", Quantity.DIODE: "0.56 V diode", Quantity.FREQUENCY: "50.0 Hz",
    Quantity.CAPACITANCE: "10.2 nF", Quantity.TEMPERATURE: "23.1 degC", Quantity.POWER: "5.2 W", Quantity.RATIO: "12 %",
}  # fmt: skip


def typed_example(quantity: Quantity, coupling: Coupling) -> str:
    """How a value of that quantity is typed."""
    text = "12.3 V" if (quantity, coupling) == (Quantity.VOLTAGE, Coupling.DC) else _SHOWN[quantity]
    return f"{text} {coupling}".strip() if quantity in (Quantity.VOLTAGE, Quantity.CURRENT) else text


class Moves:
    """Finds the next move from where everything is to where an item wants it."""

    def __init__(self, agenda: Agenda) -> None:
        self._agenda = agenda
        self._words: Mapping[str, MoveWords] = {**default_moves(), **agenda.plan.moves}

    def next(self, item: Item | None, place: Mapping[str, str], *, tripped: bool, shown: bool) -> Move | None:
        """The next move; None: everything is where it has to be.

        Args:
            item: None at the end of a plan: only the plug is pulled.
            tripped: the protective device has opened and was not switched on again.
            shown: the item's meter shows the function that is wanted, or none is.
        """
        need: Mapping[str, str] = {"plug": "out"} if item is None else item.place
        wrong = [key for key, value in need.items() if not _is_there(key, value, place)]
        hands = [key for kind in _HANDS for key in wrong if key.partition(":")[0] == kind]
        if "load" in wrong and need["load"] == "none":  # leads are taken off, not a control turned
            hands.append("load")
        words = {} if item is None else item.words
        if place.get("plug") != "out" and (hands or not shown or tripped or "plug" in wrong):
            return self._move("unplug", words, {"plug": "out"})
        if place.get("socket") and (hands or not shown or not need.get("socket")):
            return self._move("off-socket", words, {"socket": ""})
        if tripped:
            return self._move("reset", words, {"trip": ""})
        if item is None:
            return None
        if hands:
            return self._hand(hands[0], need[hands[0]], words)
        if "switch" in wrong and (place.get("plug") == "out" or "plug" not in wrong):
            return self._move(f"switch-{need['switch']}", words, {"switch": need["switch"]})
        if not shown:
            quantity, coupling = item.step.quantity, item.step.coupling
            said = {**words, "function": function_words(quantity, coupling)}
            return self._move("function", said, {f"function:{item.role}": f"{quantity} {coupling}".strip()})
        if "plug" in wrong:
            kind = self._plug(need["plug"])
            put = {"plug": need["plug"], **({"switch": "on"} if kind == "plug-in" else {})}
            return self._move(kind, words, put)
        if "socket" in wrong and item.step.release == "key":
            move = self._move("socket", words, {"socket": need["socket"]})
            return Move(kind="socket", do=item.do, caution=item.caution or move.caution, changes=move.changes)
        if "load" in wrong:
            return self._move("load", words, {"load": need["load"]})
        if item.step.confirm and place.get("confirmed") != item.id:
            return Move(kind="ready", do=item.do, caution=item.caution)
        return None

    def _hand(self, key: str, value: str, words: Mapping[str, str]) -> Move:
        kind = key.partition(":")[0]
        if value == "none" and kind in ("burden", "load"):
            return self._move(f"no-{kind}", words, {key: value})
        return self._move(kind, {**words, kind: value}, {key: value})

    def _plug(self, way: str) -> str:
        if way != "2":
            return {"1": "plug-1", "in": "plug-in"}[way]
        return {"polarised": "plug-2-crossed", "earthed": "plug-2-crossed", "": "plug-2-unknown"}.get(
            self._agenda.card.plug, "plug-2"
        )

    def _move(self, kind: str, words: Mapping[str, str], changes: Mapping[str, str]) -> Move:
        told = self._words[kind]
        return Move(kind=kind, do=filled(told.do, words), caution=filled(told.caution, words), changes=changes)


def _is_there(key: str, value: str, place: Mapping[str, str]) -> bool:
    here = place.get(key, "")
    if key == "plug" and value == "in":
        return here in ("in", "1", "2")
    return here == value
