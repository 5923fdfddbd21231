"""Values that are read off a meter without a lead, and typed: "117.4 V ac", "OL", "4.7 kohm"."""

from __future__ import annotations

import re

import msgspec

from drivers.decode.numerals import OF_UNIT, exponent_and_unit, last_place, shifted
from drivers.decode.showing import Fit, no_fit
from drivers.reading import UNITS, Coupling, Flag, Quantity, Reading, Status

#: A value so many times larger or smaller than the last one is asked about: a slipped point or prefix.
FACTOR = 10.0
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_OVER = frozenset({"ol", "o.l", "0l", "0.l", ".ol", "o.l.", "overload", "over"})
#: A resistor's value with the letter in the point's place: 4R7, 4k7. Source: IEC 60062, code for resistance values.
_CODED = re.compile(r"([+-]?\d+)([RkKM])(\d+)(?![\w.])")
#: The same letters behind a number, and what they are short for.
_OHMS = {"R": "ohm", "k": "kohm", "K": "kohm", "M": "Mohm", "meg": "Mohm"}
#: What stands between a number's digits where they are written otherwise than with a point: 117,4 or 1 000 or 1'000.
_PARTED = re.compile(r"[\d,.'’_]")
_COUPLINGS = {"ac": Coupling.AC, "dc": Coupling.DC, "acdc": Coupling.ACDC, "ac+dc": Coupling.ACDC, "~": Coupling.AC,
              "a.c.": Coupling.AC, "d.c.": Coupling.DC}  # fmt: skip
_WORDS = {"diode": Quantity.DIODE, "continuity": Quantity.CONTINUITY}
_COUPLED = (Quantity.VOLTAGE, Quantity.CURRENT)
#: These have no sign, however the leads are held; nor has anything that alternates.
_UNSIGNED = (Quantity.RESISTANCE, Quantity.CONTINUITY, Quantity.FREQUENCY, Quantity.CAPACITANCE)
_EXAMPLES = {
    Quantity.VOLTAGE: "117.4 V ac", Quantity.CURRENT: "62.0 mA ac", Quantity.RESISTANCE: "4.7 kohm",
    Quantity.CONTINUITY: "0.4 ohm continuity", Quantity.DIODE: "0.56 V diode", Quantity.FREQUENCY: "50.0 Hz",
    Quantity.CAPACITANCE: "10.2 nF", Quantity.TEMPERATURE: "23.1 degC", Quantity.POWER: "5.2 W", Quantity.RATIO: "12 %",
}  # fmt: skip


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """What has to be asked back before anything is recorded."""

    text: str
    reading: Reading | None = None  #: what is recorded if the answer is yes; None: it has to be typed again


def read(
    text: str,
    elapsed: float,
    *,
    quantity: Quantity | None = None,
    coupling: Coupling | None = None,
    last: float | None = None,
    before: tuple[Quantity, Coupling] | None = None,
    fit: Fit = no_fit,
) -> Reading | Question:
    """The reading that was typed, or a question.

    Args:
        quantity, coupling: what is expected; the unit typed must be of that quantity, and a coupling that is not typed
            is taken from here
        before: what was typed last, which a bare OL is of where nothing is expected
        last: the last value of the same quantity and coupling, in its unit; a value `FACTOR` times away is asked about
    """
    number, rest = _split(text)
    if number is None:
        return Question(
            text=f"{text.strip()[:40]!r} is no value. Type it as on the display, such as {_example(quantity)}."
        )
    over = number in _OVER
    if not over and _PARTED.match(rest):
        return Question(
            text=f"{text.strip()[:40]!r}: a decimal point, no spaces or commas, such as {_example(quantity)}."
        )
    if over and not rest and quantity is None and before is not None:
        quantity, coupling = before
    found = _dimension(rest, quantity, over=over)
    if isinstance(found, str):
        return Question(text=found)
    exponent, what, said = found
    how = (said or coupling or Coupling.NONE) if what in _COUPLED else Coupling.NONE
    if what in _COUPLED and coupling and said and said is not coupling:
        return Question(text=f"{said.value} was typed where {coupling.value} was expected. Type it again.")
    flags = (Flag.NO_COUPLING,) if what in _COUPLED and how is Coupling.NONE else ()
    if over:
        return Reading(elapsed=elapsed, quantity=what, status=Status.OVERLOAD, unit=UNITS[what], coupling=how,
                       flags=flags)  # fmt: skip
    if number[0] in "+-" and (what in _UNSIGNED or how in (Coupling.AC, Coupling.ACDC)):
        kind = f"{what.value} {how.value}".strip()
        return Question(text=f"{text.strip()[:40]!r}: a {kind} has no sign. Type it without, or say what it is.")
    value, step = shifted(number, exponent), last_place(number, exponent)
    if not -1e300 < value < 1e300:
        return Question(text=f"{text.strip()[:40]!r} is beyond every meter. Type it again.")
    found_fit = fit(what, how, None, step)
    reading = Reading(elapsed=elapsed, quantity=what, status=Status.OK, unit=UNITS[what], value=value, coupling=how,
                      u=found_fit[0] * abs(value) + found_fit[1] if found_fit else None, resolution=step,
                      flags=flags)  # fmt: skip
    if last and value and not (1 / FACTOR < abs(value / last) < FACTOR):
        from drivers.units import show

        return Question(
            text=f"{show(value, UNITS[what])} is far from the last one, {show(last, UNITS[what])}. Is it right?",
            reading=reading,
        )
    return reading


def _split(text: str) -> tuple[str | None, str]:
    """Number (or overload word) and the rest of what was typed."""
    text = text.strip()[:100]
    head, _, rest = text.partition(" ")
    if head.lower() in _OVER:  # first, since 0L begins with a digit
        return head.lower(), rest.strip()
    if match := _CODED.match(text):
        return f"{match[1]}.{match[3]}", f"{match[2]} {text[match.end() :]}"
    match = _NUMBER.match(text)
    return (match[0], text[match.end() :].strip()) if match else (None, "")


def _dimension(rest: str, expected: Quantity | None, *, over: bool) -> tuple[int, Quantity, Coupling | None] | str:
    """Power of ten, quantity and coupling from the words behind the number, or what to ask."""
    words = rest.replace("+ ", "+").replace(" +", "+").split()
    coupling = next((_COUPLINGS[w.lower()] for w in words if w.lower() in _COUPLINGS), None)
    named = next((_WORDS[w.lower()] for w in words if w.lower() in _WORDS), None)
    units = [w for w in words if w.lower() not in _COUPLINGS and w.lower() not in _WORDS]
    if match := re.fullmatch(r"(?i)(.*[VA])(ac\+dc|ac|dc|~)", units[0] if units else ""):
        units[0], coupling = match[1], _COUPLINGS[match[2].lower()]
    if not units:
        if over and expected is not None:
            return 0, named or expected, coupling
        shown = "'OL V ac' or 'OL ohm'" if over else _example(expected)
        return f"Which unit? Type it too, such as {shown}."
    known = _unit("".join(units))
    what = named or (OF_UNIT.get(known[1]) if known else None)
    if known is None or what is None or UNITS[what] != known[1]:
        return f"{' '.join(units)[:20]!r} is no unit that fits. Type it such as {_example(expected)}."
    if what in _COUPLED and known[0] >= 6:
        return f"{' '.join(units)[:20]!r} would be millions. Write m for thousandths, such as {_example(expected)}."
    if expected is not None and UNITS[expected] == known[1] and named is None:
        what = expected
    if expected is not None and what is not expected:
        return f"That is a {what.value}; a {expected.value} was expected, such as {_example(expected)}."
    return known[0], what, coupling


def _unit(written: str) -> tuple[int, str] | None:
    """Power of ten and UCUM code, also of a unit in small letters ("ma") and of a resistor's letter ("10k").

    A capital M stays mega: nobody's millivolts become volts by it.
    """
    known = exponent_and_unit(_OHMS.get(written, written))
    if known is None and written[-1:] in ("v", "a", "w", "f"):
        known = exponent_and_unit(written[:-1] + written[-1].upper())
    if known is None and written[:1] != "M":
        known = exponent_and_unit(written.lower())
    return known


def _example(quantity: Quantity | None) -> str:
    return repr(_EXAMPLES[quantity or Quantity.VOLTAGE])
