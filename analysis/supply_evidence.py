"""What sessions and card say of the auxiliary transformer: its computation's inputs, and what speaks against them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from analysis.card import RadioCard, figure
from analysis.finding import Evidence
from analysis.mains import session_mains
from analysis.meterinfo import MeterInfo
from analysis.readings import FloatArray
from analysis.rectifier_circuit import Topology
from analysis.rectifier_inverse import Ammeter, Response
from analysis.states import Chunk, Value, chunks, last_known, named_rows, of_one_meter, reading_u
from analysis.supply import MARGIN, OnLoad, SupplyFigures, SupplyInput, Volts, supply_figures
from analysis.supply_findings import MeasuredRail
from analysis.supply_loads import NO_LOAD_TAG, UNTAGGED, LoadStatistics, load_statistics
from analysis.table import Radio
from drivers.units import UnitError, parse, show

RAILS = {"rail-positive": "positive", "rail-negative": "negative"}
#: Beyond these no bench of this kind reads. Source: own choice.
MOST_VOLTS, MOST_AMPERES = 2000.0, 100.0
#: More of a load's readings beyond the range than this, and its 99th percentile is not known.
OVER_RANGE = 0.01
#: A frequency read this far from the card's is another one. Source: own choice; the grid stays within 1 %.
FREQUENCY_APART = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyEvidence:
    """The computation, the readings that it rests on, and what keeps it from being sure."""

    figures: SupplyFigures
    read: bool  #: whether the secondary was read at all
    rails: tuple[MeasuredRail, ...] = ()
    doubts: tuple[str, ...] = ()  #: with any of these nothing is `within`
    evidence: tuple[Evidence, ...] = ()
    rail_evidence: tuple[Evidence, ...] = ()


class _Meter(NamedTuple):
    """A meter as far as it matters what a reading is worth: two sittings may give one role to two meters."""

    role: str
    rms: str
    current_coupling: str
    burden_voltage: float | None


_ByLoad = dict[str, list[Chunk]]


def supply_evidence(radio: Radio, margin: float = MARGIN) -> SupplyEvidence:
    """From a radio's latest stage and its card. Raises: ValueError: a margin below one."""
    found = [
        c for s in radio.judged
        for c in chunks(s, by=("load", "burden"), where=lambda point: point == "secondary" or point in RAILS)
        if (c.ok | c.overload).any()
    ]  # fmt: skip
    secondary = [c for c in found if c.key.point == "secondary"]
    doubts: list[str] = []
    card_input = _from_card(radio.card, margin)
    volts = _by_meter(c for c in secondary if c.key.quantity == "voltage" and c.key.coupling == "ac")
    amperes = _by_meter(c for c in secondary if c.key.quantity == "current" and c.key.coupling == "ac")
    doubts += _couplings(secondary)
    doubts += _fed_elsewhere(found)
    doubts += _frequencies(radio)
    computed = [_figures(card_input, radio, meter, loads, volts, doubts) for meter, loads in amperes.items()] or [
        _figures(card_input, radio, None, {}, volts, doubts)
    ]
    figures = max(computed, key=lambda f: (f.required_secondary or 0.0, f.design_current or 0.0))
    for other in computed:
        if other.required_secondary is None and (other.design_current or 0.0) > (figures.design_current or 0.0):
            doubts.append("another meter read more current in the secondary, and what it truly was is not known")
    return SupplyEvidence(
        figures=figures, read=bool(secondary), rails=tuple(_rails(radio, found)), doubts=tuple(dict.fromkeys(doubts)),
        evidence=tuple(_evidence(c) for c in secondary),
        rail_evidence=tuple(_evidence(c) for c in found),
    )  # fmt: skip


def _evidence(chunk: Chunk) -> Evidence:
    picked = np.flatnonzero(chunk.ok | chunk.overload)
    return Evidence(
        session=chunk.session.name, rows=named_rows(chunk, picked), take=chunk.take.id if chunk.take else None
    )


def _from_card(card: RadioCard, margin: float) -> SupplyInput:
    board, part = card.board, card.transformer
    return SupplyInput(
        nominal_mains=figure(card.nominal_mains, "V"), frequency=figure(card.frequency, "Hz"),
        topology=Topology(board.topology) if board.topology else None, reservoir=figure(board.reservoir, "F"),
        winding_volts=figure(part.secondary, "V"), windings=part.windings, arrangement=part.arrangement,
        rating=figure(part.rating, "VA"), supply_min=figure(board.supply_min, "V"),
        supply_max=figure(board.supply_max, "V"), reservoir_rating=figure(board.reservoir_rating, "V"), margin=margin,
    )  # fmt: skip


def _by_meter(found: Iterable[Chunk]) -> dict[_Meter, _ByLoad]:
    """Readings by meter and load; a load is the tag, or the resistor that was put across the winding."""
    meters: dict[_Meter, _ByLoad] = {}
    for chunk in found:
        info = chunk.session.meter(chunk.meter) or MeterInfo(role=chunk.meter)
        coupling = "acdc" if _with_dc(chunk) else info.current_coupling
        meter = _Meter(chunk.meter, info.rms, coupling, info.burden_voltage)
        load = chunk.key.burden if chunk.key.burden_ohms is not None else chunk.key.load.strip() or UNTAGGED
        meters.setdefault(meter, {}).setdefault(load, []).append(chunk)
    return meters


def _with_dc(chunk: Chunk) -> bool:
    """Whether every reading of a current was taken ac+dc."""
    if chunk.key.quantity != "current":
        return False
    column = chunk.session.readings.words["coupling"]
    return {column.names[code] for code in np.unique(column.codes[chunk.rows])} == {"acdc"}


def resistor(load: str) -> float | None:
    """The ohms of a load that is a plain resistor, or None."""
    try:
        ohms = parse(load, "Ohm")
    except UnitError:
        return None
    return ohms if ohms > 0 else None


def _couplings(secondary: Sequence[Chunk]) -> Iterator[str]:
    if any(c.key.quantity in ("voltage", "current") and c.key.coupling == "dc" for c in secondary):
        yield "the secondary was read with the meter on DC, which says nothing of a winding: read it on AC"


def _fed_elsewhere(secondary: Sequence[Chunk]) -> Iterator[str]:
    for chunk in secondary:
        if chunk.session.fed_from != "mains":
            yield (
                f"the supply was read while the radio was fed from {chunk.session.fed_from.replace('-', ' ')}: "
                "read it again straight from the mains"
            )


def _frequencies(radio: Radio) -> Iterator[str]:
    """A frequency that was read and is not the card's, or not always the same."""
    wanted = figure(radio.card.frequency, "Hz")
    for session in radio.judged:
        for chunk in chunks(session, by=(), where=lambda point: point in ("mains", "mains-line", "secondary")):
            value = of_one_meter([chunk]) if chunk.key.quantity == "frequency" else None
            if value is None or not value.value:
                continue
            read = abs(value.value)
            if wanted is not None and abs(read - wanted) > FREQUENCY_APART * wanted:
                yield f"the mains read {show(read, 'Hz')} instead of {show(wanted, 'Hz')}: card or reading is wrong"
            wanted = wanted or read


def _figures(
    card_input: SupplyInput, radio: Radio, meter: _Meter | None, currents: _ByLoad, volts: Mapping[_Meter, _ByLoad],
    doubts: list[str],
) -> SupplyFigures:  # fmt: skip
    """The computation with the currents of one meter."""
    loads = tuple(_statistics(currents, doubts))
    full_scale = max((r for parts in currents.values() for c in parts if (r := last_known(c.range))), default=None)
    ammeter = _ammeter(meter, full_scale) if meter is not None else None
    off, on, voltmeter, same = _volts(radio, meter, currents, volts, doubts)
    given = replace(
        card_input, loads=loads, ammeter=ammeter, off_load=off, on_load=on, voltmeter=voltmeter, same_voltmeter=same
    )
    return supply_figures(given)


def _ammeter(meter: _Meter, full_scale: float | None) -> Ammeter | None:
    """None where the descriptor does not say; an unknown coupling is taken as ac, which shows less."""
    try:
        return Ammeter.described(
            meter.rms, meter.current_coupling or "ac", burden_voltage=meter.burden_voltage, full_scale=full_scale
        )
    except ValueError:
        return None


def _statistics(currents: _ByLoad, doubts: list[str]) -> Iterator[LoadStatistics]:
    """Statistics of each load of the board; a test resistor across the winding is none."""
    for load, parts in currents.items():
        if resistor(load) is not None:
            continue
        values = np.abs(np.concatenate([c.value[c.ok] for c in parts]))
        over = sum(int(c.overload.sum()) for c in parts)
        final = of_one_meter(parts)
        if (final is not None and final.overload) or over > OVER_RANGE * (len(values) + over):
            doubts.append(f"the current with the load '{load}' went over the ammeter's range: read it on a higher one")
        if len(values) and float(values.max()) > MOST_AMPERES:
            doubts.append(
                f"the current with the load '{load}' read {show(float(values.max()), 'A')}: no such winding does"
            )
        elif len(values):
            if len(values) < 3:
                doubts.append(
                    f"more readings of the current with the load '{load}': {len(values)} show no settled level"
                )
            yield _one_load(load, parts, values, final)


def _one_load(load: str, parts: list[Chunk], values: FloatArray, final: Value | None) -> LoadStatistics:
    count = max((last_known(c.resolution) or 0.0 for c in parts), default=0.0) or None
    found = load_statistics(values, [load] * len(values), resolution=count)[0]
    if final is not None and final.value is not None:
        settled = max(final.magnitude, found.settled or 0.0)
        return replace(found, settled=settled, u=final.u, fallback=final.by_fallback)
    last = parts[-1]
    u, fallback = reading_u(last, np.flatnonzero(last.ok), found.percentile_99) if last.ok.any() else (found.u, True)
    return replace(found, u=u, fallback=fallback)


def _volts(
    radio: Radio, ammeter: _Meter | None, currents: _ByLoad, volts: Mapping[_Meter, _ByLoad], doubts: list[str]
) -> tuple[Volts | None, OnLoad | None, Response, bool]:
    """Off-load and on-load volts, by one meter where there is one that read both."""
    read: dict[_Meter, dict[str, Value]] = {
        meter: {
            load: value
            for load, parts in loads.items()
            if (value := of_one_meter(parts)) is not None and _usable(value, load, doubts)
        }
        for meter, loads in volts.items()
    }
    with_current = {load: amps for load, parts in currents.items() if (amps := _typical(parts)) > 0}

    def heaviest(values: Mapping[str, Value]) -> str | None:
        """The load to fit the winding by: a plain resistor if there is one, else the largest current."""
        plain = [load for load in values if resistor(load) is not None]
        if plain:
            return min(plain, key=lambda load: resistor(load) or math.inf)
        both = [load for load in values if load in with_current and load != NO_LOAD_TAG]
        return max(both, key=lambda load: with_current[load], default=None)

    mains = _mains(radio, doubts)
    whole = [meter for meter, values in read.items() if NO_LOAD_TAG in values and heaviest(values)]
    offs = whole or [meter for meter, values in read.items() if NO_LOAD_TAG in values]
    ons = whole or [meter for meter, values in read.items() if heaviest(values)]
    off_meter = max(offs, key=lambda m: read[m][NO_LOAD_TAG].magnitude + read[m][NO_LOAD_TAG].expanded, default=None)
    on_meter = off_meter if whole else (ons[0] if ons else None)
    off = _as_volts(read[off_meter][NO_LOAD_TAG], mains) if off_meter is not None else None
    on = None
    response = Response.TRUE_RMS
    if on_meter is not None and (load := heaviest(read[on_meter])) is not None:
        value, ohms = read[on_meter][load], resistor(load)
        amps = with_current.get(load, value.magnitude / ohms if ohms else 0.0)
        on = OnLoad(volts=_as_volts(value, mains), current=amps, resistive=ohms is not None,
                    beyond_ammeter=ammeter is not None and ammeter.role != on_meter.role)  # fmt: skip
        response = Response.AVERAGE if on_meter.rms == "average" else Response.TRUE_RMS
    if off is not None and on is not None:
        scale = off.mains / on.volts.mains if off.mains and on.volts.mains else 1.0
        if on.volts.value * scale >= off.value:
            doubts.append(
                f"the secondary read {show(on.volts.value, 'V')} on load and {show(off.value, 'V')} off load: less on "
                "load than off load was expected, so read both again"
            )
    return off, on, response, off_meter == on_meter


def _usable(value: Value, load: str, doubts: list[str]) -> bool:
    if value.value is None:
        doubts.append(f"the secondary's volts with the load '{load}' went over the meter's range: read a higher one")
        return False
    return 0 < value.magnitude <= MOST_VOLTS


def _typical(parts: list[Chunk]) -> float:
    """The current that flowed while the volts were read: the take, else the middle of the readings. [A]"""
    taken = [c.take.value for c in parts if c.take is not None and c.take.value is not None]
    if taken:
        return abs(taken[-1])
    values = np.concatenate([c.value[c.ok] for c in parts])
    return float(np.median(np.abs(values))) if len(values) else 0.0


def _mains(radio: Radio, doubts: list[str]) -> dict[str, Value]:
    """The mains of each session, where what was read can be the mains of this radio."""
    nominal = figure(radio.card.nominal_mains, "V")
    found: dict[str, Value] = {}
    for session in radio.judged:
        value = session_mains(session)
        if value is None:
            continue
        volts = value.magnitude
        if nominal is not None and not 0.5 * nominal < volts < 1.5 * nominal:
            doubts.append(f"the mains read {show(volts, 'V')}, which is not near the {show(nominal, 'V')} on the card")
        else:
            found[session.name] = value
    return found


def _as_volts(value: Value, mains: Mapping[str, Value]) -> Volts:
    there = mains.get(value.session)
    if there is None:
        return Volts(value=value.magnitude, u=value.u)
    return Volts(value=value.magnitude, u=value.u, mains=there.magnitude, mains_u=there.u)


def _rails(radio: Radio, found: Sequence[Chunk]) -> Iterator[MeasuredRail]:
    """Volts DC of each rail and load, as one meter settled on them; of several meters each."""
    mains = _mains(radio, [])
    groups: dict[tuple[str, str, str], list[Chunk]] = {}
    for c in found:
        if c.key.point in RAILS and c.key.quantity == "voltage" and c.key.coupling == "dc":
            groups.setdefault((c.key.point, c.key.load.strip() or UNTAGGED, c.meter), []).append(c)
    for (point, load, _), parts in groups.items():
        value = of_one_meter(parts)
        if value is not None and value.magnitude > 0:
            volts = value.magnitude if value.value is not None else None
            if volts is None or volts <= MOST_VOLTS:
                there = mains.get(value.session)
                yield MeasuredRail(name=RAILS[point], load=load, value=volts, u=value.u,
                                   mains=None if there is None else there.magnitude,
                                   mains_u=0.0 if there is None else there.u)  # fmt: skip
