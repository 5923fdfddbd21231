"""What kind of chassis a radio has: from pin resistances, the plug x switch matrix and burden readings together.

With the plug out, a pin that reads next to nothing to the chassis is a tie, and the switch tells where it sits. With
the plug in, burden readings tell a hard connection from a capacitor, and the capacitor's size tells a fitted part from
the strays of a transformer. What neither shows is said to be missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.card import RadioCard, figure
from analysis.chassis import Matrix, TouchPicture
from analysis.finding import Finding, Level
from analysis.kind_words import ADVICE, SENTENCES, TITLES
from analysis.pins import TIED, Pins, read_pins
from analysis.table import Radio
from analysis.touch_words import CAUTION, resting_on
from analysis.touchable import Verdict
from drivers.units import show

#: Below this it can be a heater chain or a winding, with the chassis tied to the other pin. [Ω] Source: trade figures.
HEATERS = 10e3
#: A resistance below this through a network joins pin and chassis for DC. Source: own choice; networks that isolate a
#: chassis use 150 kΩ to 470 kΩ beside their capacitor.
NETWORK = 1.2e6
#: Below this something conducts from pin to chassis at all: heaters, a primary, a network, a leak. [Ω]
CONDUCTS = 5e6
#: From here on a capacitance is a fitted part and not strays. Source: own choice; interwinding strays of mains
#: transformers are some tens to hundreds of picofarads, line filters 1 nF and more. [F]
FITTED = 1e-9
#: The body network at mains frequency and at DC, nearly. Source: IEC 60990:2016, figure 3. [Ω]
BODY = 2000.0
#: Input of a meter that nobody told of. [Ω]
UNKNOWN_INPUT = 1e6
#: A state at this much of the mains carries the whole of it; below the other, next to nothing of it.
WHOLE, NOTHING = 0.75, 0.25

LEVELS = {
    "tied": Level.DANGER, "tied-through-switch": Level.DANGER, "rc-coupled": Level.CAUTION,
    "line-capacitor": Level.CAUTION, "earthed": Level.WITHIN, "isolated": Level.WITHIN,
    "not-established": Level.UNDECIDED,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of chassis with its reasons."""

    word: str
    reasons: tuple[str, ...]
    pin: int | None = None
    runner_up: str | None = None
    missing: tuple[str, ...] = ()


def chassis_kind(radio: Radio, picture: TouchPicture) -> Finding:
    """The `chassis-kind` finding."""
    pins, matrix = read_pins(radio), picture.of("chassis")
    kind = _established(pins, matrix, picture, radio.card)
    evidence = pins.evidence + tuple(
        value.evidence for verdict in (matrix.verdicts if matrix else ()) for value in verdict.state.values
    )
    statement = f"{SENTENCES[kind.word].format(pin=kind.pin)} {' '.join(kind.reasons)}".strip()
    if pins.ohms and kind.pin is None:
        statement += f" To the chassis with the plug out: {pins.told}."
    if kind.word == "isolated" and matrix is not None:
        statement = " ".join((statement, *resting_on(matrix, picture)))
    if kind.runner_up:
        statement += f" Next in likelihood: {kind.runner_up.replace('-', ' ')}."
    return Finding(
        id="chassis-kind", level=LEVELS[kind.word], title=f"Chassis: {TITLES[kind.word].format(pin=kind.pin)}",
        statement=statement, evidence=evidence, missing=kind.missing, advice=f"{ADVICE[kind.word]} {CAUTION}",
        extra={"kind": kind.word, "pin": kind.pin, "runner_up": kind.runner_up},
    )  # fmt: skip


def _established(pins: Pins, matrix: Matrix | None, picture: TouchPicture, card: RadioCard) -> Kind:
    tied = _tied_by_pins(pins, card)
    if tied is not None:
        return tied
    # Open pins were read at a few volts, so they speak against a tie; a source below 1 kΩ still outweighs them.
    open_pins = pins.least is not None and pins.least >= TIED
    hard = _tied_by_volts(matrix, card, most=1e3 if open_pins else 3e3) if matrix else None
    if hard is not None:
        return hard
    earth = _earthed(pins, picture)
    if earth is not None:
        return earth
    least = pins.least
    if least is not None and least < NETWORK:
        return _through_network(least, card)
    return _capacitive(pins, matrix, picture, card)


def _tied_by_pins(pins: Pins, card: RadioCard) -> Kind | None:
    """A pin with next to nothing to the chassis; the other positions tell where the switch sits."""
    low = {
        pin: ohms for pin in ("1", "2")
        if (ohms := min((o for s in ("on", "off") if (o := pins.at(pin, s)) is not None), default=math.inf)) < TIED
    }  # fmt: skip
    if not low:
        return None
    pin = min(low, key=lambda name: low[name])
    other = "2" if pin == "1" else "1"
    reason = f"Pin {pin} reads {_tie(low[pin])} to the chassis with the plug out."
    off, far = pins.at(pin, "off"), pins.at(other, "off")
    if card.switch == "none" or (off is not None and off < TIED):
        where = "It stays so with the switch off." if card.switch != "none" else "The set has no switch."
        return Kind(word="tied", pin=int(pin), reasons=(reason, where, *_autotransformer(card)))
    if off is None:
        word, up = ("tied", "tied-through-switch") if card.switch == "double" else ("tied-through-switch", "tied")
        return Kind(
            word=word, pin=int(pin), reasons=(reason,), runner_up=up, missing=(f"pin {pin} to chassis, switch off",)
        )
    if card.switch == "double" or (far is not None and far > CONDUCTS):
        where = "Both pins are open with the switch off: the switch breaks both poles."
        return Kind(word="tied", pin=int(pin), reasons=(reason, where, *_autotransformer(card)))
    where = (
        "The switch opens that connection; with it off, the chassis hangs on the other leg through what is in between."
    )
    runner = None if far is not None else "tied"
    return Kind(
        word="tied-through-switch", pin=int(pin), reasons=(reason, where, *_autotransformer(card)), runner_up=runner
    )


def _tie(ohms: float) -> str:
    """A resistance far below what counts as a tie: no more digits than an ohmmeter with its leads has."""
    return f"{ohms:.1f} Ω, under the {TIED:g} Ω of a tie,"


def _autotransformer(card: RadioCard) -> tuple[str, ...]:
    if card.supply != "autotransformer":
        return ()
    return ("The set has an autotransformer, which isolates nothing although it is a big transformer.",)


def _mains(matrix: Matrix, card: RadioCard) -> float | None:
    nominal = figure(card.nominal_mains, "V")
    read = [v.state.alone.magnitude for v in matrix.verdicts if v.state.alone is not None and v.state.alone.value]
    return max([nominal or 0.0, *read]) or None


def _tied_by_volts(matrix: Matrix, card: RadioCard, most: float) -> Kind | None:
    """Without pins: a state that a burden showed to be hard, and the pattern of the four states."""
    hard = [v for v in matrix.verdicts if _is_hard(v, most)]
    mains = _mains(matrix, card)
    if not hard or mains is None:
        return None
    volts = {(v.state.plug, v.state.switch): _share(v, mains) for v in matrix.verdicts if v.state.coupling == "ac"}
    ways = {way: volts.get((way, "on")) for way in ("1", "2")}
    known = {way: share for way, share in ways.items() if share is not None}
    live = [way for way, share in known.items() if share >= WHOLE]
    down = [way for way, share in known.items() if share <= NOTHING]
    if len(live) != 1 or len(down) != 1:
        named = "; ".join(v.state.name for v in hard)
        reason = f"A burden reading shows a hard connection ({named}), but not to which pin."
        lacking = ("pin-1-to-chassis and pin-2-to-chassis, plug out", *matrix.missing_states)
        return Kind(word="tied", reasons=(reason,), runner_up="tied-through-switch", missing=lacking)
    pin, away = live[0], down[0]
    reason = (
        f"With the switch on, the chassis carries the mains in way {pin} of the plug and next to none in way {away},"
        " and a burden shows a hard connection."
    )
    here, there = volts.get((pin, "off")), volts.get((away, "off"))
    if card.switch == "none":
        return Kind(word="tied", pin=int(pin), reasons=(reason, "The set has no switch.", *_autotransformer(card)))
    if there is not None and there >= WHOLE and (here is None or here <= NOTHING):
        where = "With the switch off it is the other way round: the switch sits in the chassis leg."
        return Kind(word="tied-through-switch", pin=int(pin), reasons=(reason, where, *_autotransformer(card)))
    if here is not None and there is not None:
        live_off = max(here, there) >= WHOLE
        where = (
            "It stays so with the switch off."
            if live_off
            else "With the switch off it carries nothing: both poles open."
        )
        return Kind(word="tied", pin=int(pin), reasons=(reason, where, *_autotransformer(card)))
    return Kind(
        word="tied", pin=int(pin), reasons=(reason,), runner_up="tied-through-switch", missing=matrix.missing_states
    )


def _is_hard(verdict: Verdict, most: float) -> bool:
    """Whether the source is certainly below `most` ohms: even the least current, less its U, says so."""
    bounds, alone = verdict.bounds, verdict.state.alone
    if bounds is None or not bounds.consistent or alone is None or alone.value is None:
        return False
    least = bounds.least
    return verdict.level is Level.DANGER and least > 0 and alone.magnitude / least < most + BODY


def _is_live(verdict: Verdict) -> bool:
    """Whether a state stands above the voltage limit, so that what lies behind it matters."""
    return verdict.volts is not None and verdict.volts + verdict.expanded >= verdict.limit


def _share(verdict: Verdict, mains: float) -> float | None:
    alone = verdict.state.alone
    if alone is None:
        return None
    return math.inf if alone.value is None else alone.magnitude / mains


def _earthed(pins: Pins, picture: TouchPicture) -> Kind | None:
    earth = min((o for s in ("on", "off", "") if (o := pins.ohms.get(("earth", s))) is not None), default=math.inf)
    if earth >= TIED:
        return None
    reason = f"The earth pin reads {_tie(earth)} to the chassis with the plug out."
    matrix = picture.of("chassis")
    live = [v for v in (matrix.verdicts if matrix else ()) if v.reason != "voltage" and v.state.values]
    if live:
        return Kind(
            word="not-established", runner_up="earthed",
            reasons=(reason, "But the chassis carries a voltage with the plug in: the socket's earth may be missing."),
            missing=("proof that the socket's earth contact is connected",),
        )  # fmt: skip
    return Kind(word="earthed", reasons=(reason,))


def _through_network(ohms: float, card: RadioCard) -> Kind:
    if ohms < HEATERS:
        said = f"A pin reads {show(ohms, 'Ohm')} to the chassis with the plug out, as through heaters or a winding."
        lacking = ("the other pin to the chassis, switch on and off",)
        return Kind(word="not-established", reasons=(said,), runner_up="tied", missing=lacking)
    reason = (
        f"A pin reads {show(ohms, 'Ohm')} to the chassis with the plug out: a resistor, or a leaking capacitor, joins"
        " them."
    )
    if card.supply == "transformer":
        return Kind(
            word="line-capacitor",
            reasons=(reason, "In a set with a transformer that is a leaking line capacitor."),
            runner_up="rc-coupled",
        )
    return Kind(word="rc-coupled", reasons=(reason,), runner_up="line-capacitor" if card.supply == "unknown" else None)


def _capacitive(pins: Pins, matrix: Matrix | None, picture: TouchPicture, card: RadioCard) -> Kind:
    """No pin conducts, or none was read: what the burden readings say of the source."""
    wanted = () if pins.ohms else ("pin-1-to-chassis and pin-2-to-chassis, plug out",)
    if matrix is None or not any(v.state.values for v in matrix.verdicts):
        lacking = ("volts of the chassis to earth", *wanted)
        return Kind(word="not-established", reasons=("No volts of the chassis were read.",), missing=lacking)
    mains = _mains(matrix, card)
    sizes = [size for v in matrix.verdicts if (size := _capacitance(v, picture, mains)) is not None]
    open_pins = pins.least is not None and pins.least >= CONDUCTS
    hard = [v.state.name for v in matrix.verdicts if v.bounds is not None and v.bounds.hard_connection and _is_live(v)]
    if hard and not open_pins:
        said = f"The burden does not tell a large capacitor from a hard connection at {'; '.join(hard)}."
        lacking = (*(f"a smaller burden at {name}, if its dissipation allows" for name in hard), *wanted)
        return Kind(word="not-established", reasons=(said,), runner_up="tied", missing=lacking)
    if sizes:
        return _by_size(max(sizes, key=lambda size: size[1]), matrix, picture, wanted, open_pins=open_pins)
    doubts = _against_isolated(matrix, picture, wanted)
    if not doubts and _too_low_for_a_capacitor(matrix, picture, card):
        reason = "In no state does it read what a line capacitor of 1 nF would give."
        return Kind(word="isolated", reasons=(reason,), missing=wanted)
    against = tuple(reason for doubt in doubts for reason in doubt.reasons)
    asked = tuple(text for doubt in doubts for text in doubt.missing)
    highest = "a burden reading in the state that reads highest"
    asked = tuple(dict.fromkeys((highest, *matrix.missing_states, *asked, *wanted)))
    reason = "Nothing tells strays from a fitted capacitor or a hard connection."
    return Kind(word="not-established", reasons=(reason, *against), missing=asked,
                runner_up=_guess(matrix, card))  # fmt: skip


def _by_size(
    size: tuple[float, float, float], matrix: Matrix, picture: TouchPicture, wanted: tuple[str, ...], *, open_pins: bool
) -> Kind:
    """A fitted capacitor or strays, by the size of what lies behind the chassis."""
    low, best, high = size
    shown = f"The chassis gives as much current as through a capacitor of {_farads(low, best, high)} from the live leg."
    if best >= FITTED:
        runner = "rc-coupled" if not open_pins else None if low >= FITTED else "isolated"
        return Kind(word="line-capacitor", reasons=(shown,), runner_up=runner, missing=wanted)
    doubts = _against_isolated(matrix, picture, wanted)
    if doubts:
        return replace(doubts[0], reasons=(shown, *doubts[0].reasons))
    runner = None if high < FITTED else "line-capacitor"
    reason = "That is no more than the strays of a transformer."
    return Kind(word="isolated", reasons=(shown, reason), runner_up=runner, missing=wanted)


def _against_isolated(matrix: Matrix, picture: TouchPicture, wanted: tuple[str, ...]) -> list[Kind]:
    """What forbids to call a chassis isolated, whatever its capacitance: each as the kind that it leaves."""
    found = []
    if not matrix.proved:
        reason = "The measuring chain is not proved."
        found.append(Kind(word="not-established", reasons=(reason,), runner_up="isolated", missing=matrix.missing))
    others = [m for m in picture.matrices if m.point != matrix.point or any(v.state.loaded for v in m.verdicts)]
    dangerous = [m.point for m in others if any(_gives_current(v) for v in m.verdicts)]
    if dangerous:
        reason = f"But {', '.join(dangerous)} can give more than the limiting current, for all that was read."
        found.append(Kind(word="not-established", reasons=(reason,), runner_up="line-capacitor", missing=wanted))
    later = [v.state.name for v in matrix.verdicts if v.later]
    if later:
        reason = f"But a later reading lay above the limit at {'; '.join(later)}."
        lacking = (*(f"{name} again" for name in later), *wanted)
        found.append(Kind(word="not-established", reasons=(reason,), runner_up="tied", missing=lacking))
    bare = _higher_without_burden(matrix)
    if bare:
        reason = f"But it read higher, and without a burden reading, at {bare}."
        lacking = (f"a burden reading at {bare}", *wanted)
        found.append(Kind(word="not-established", reasons=(reason,), runner_up="tied", missing=lacking))
    if matrix.missing_states:
        lacking = (*matrix.missing_states, *wanted)
        found.append(Kind(word="not-established", reasons=(), runner_up="isolated", missing=lacking))
    return found


def _higher_without_burden(matrix: Matrix) -> str:
    """A state above the limit that nobody burdened and that read higher than any that somebody did."""
    burdened = max((v.volts or 0.0 for v in matrix.verdicts if v.state.loaded), default=0.0)
    for verdict in matrix.verdicts:
        bare = verdict.state.alone is not None and not verdict.state.loaded
        beyond = verdict.volts is None or verdict.volts > 1.2 * burdened
        if bare and beyond and verdict.reason in ("no-burden", "overload", "range"):
            return verdict.state.name
    return ""


def _gives_current(verdict: Verdict) -> bool:
    """Whether a state gives more than the limiting current, or is so high that it is taken to while nobody knows."""
    by_current = verdict.reason in ("current", "hard", "trip")
    unknown = verdict.reason in ("no-burden", "overload") and verdict.level is Level.DANGER
    return unknown or (by_current and verdict.level in (Level.DANGER, Level.CAUTION) and not verdict.scaled_only)


def _farads(low: float, best: float, high: float) -> str:
    """A capacitance for a person, with its bounds where they are worth saying."""
    if best < 1e-12 or math.isinf(best):
        return "less than 1 pF" if best < 1 else "any size"
    digit = 10.0 ** (math.floor(math.log10(best)) - 1)
    low, high = min(low, best), max(high, best)
    bounds = f" ({show(low, 'F', digit)} to {show(high, 'F', digit)})" if high < 100 * best else ""
    return show(best, "F", digit) + bounds


def _capacitance(verdict: Verdict, picture: TouchPicture, mains: float | None) -> tuple[float, float, float] | None:
    """What capacitance from the live leg would give the current of one state: I = V·ω·C. [F]

    Low and high with the uncertainty counted; between them as read, from the low end of the current, which is that of a
    pure capacitance.
    """
    bounds, state = verdict.bounds, verdict.state
    if bounds is None or not bounds.consistent or state.coupling != "ac" or verdict.unproved or not mains:
        return None
    if state.alone is None or bounds.current.low <= 0:
        return None
    ampere = 2 * math.pi * picture.setting.frequency * mains
    return bounds.least / ampere, bounds.current.low / ampere, bounds.most / ampere


def _too_low_for_a_capacitor(matrix: Matrix, picture: TouchPicture, card: RadioCard) -> bool:
    """Whether every state reads less than half of what 1 nF from the live leg would drive through the meter."""
    nominal = figure(card.nominal_mains, "V")
    if nominal is None:
        return False
    omega = 2 * math.pi * picture.setting.frequency
    for verdict in matrix.verdicts:
        alone = verdict.state.alone
        if alone is None or alone.value is None:
            return False
        meter = picture.setting.input_of(alone)
        ohms = meter.resistance if meter else UNKNOWN_INPUT
        farads = (meter.capacitance if meter else 200e-12) + 200e-12  # lead and strays to earth
        divided = 1 / abs(1 + (1 / ohms + 1j * omega * farads) / (1j * omega * FITTED))
        if alone.magnitude + alone.expanded >= 0.5 * nominal * divided:
            return False
    return True


def _guess(matrix: Matrix, card: RadioCard) -> str | None:
    mains = _mains(matrix, card)
    top = matrix.worst
    if mains is None or top is None or top.state.alone is None:
        return None
    return (
        "tied"
        if top.state.alone.magnitude >= WHOLE * mains
        else "line-capacitor"
        if top.level is not Level.WITHIN
        else "isolated"
    )
