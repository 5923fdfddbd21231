"""The findings on the added board's side: transformer, rails, headroom, level, hum, heat in the winding."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.card import HeaterWinding, RadioCard, figure
from analysis.comparing import hum_findings
from analysis.finding import Evidence, Finding, Level
from analysis.headroom import headroom, headroom_finding
from analysis.judge import COVERAGE
from analysis.level_evidence import level_finding
from analysis.rectifier_circuit import Topology
from analysis.supply import MAINS_LOW, SupplyFigures, rail_expanded
from analysis.supply_evidence import SupplyEvidence, supply_evidence
from analysis.supply_findings import MeasuredRail, doubted, lowest_rail, rail_window_finding, supply_rating_finding
from analysis.supply_loads import NO_LOAD_TAG
from analysis.table import Radio
from analysis.winding_evidence import winding_rise_finding
from drivers.units import show


def aux_findings(radio: Radio, found: SupplyEvidence | None = None) -> list[Finding]:
    """Those that there is evidence for."""
    supply = found or supply_evidence(radio)
    findings = [*_supply(radio.card, supply), level_finding(radio), *hum_findings(radio), winding_rise_finding(radio)]
    return [finding for finding in findings if finding is not None]


def _supply(card: RadioCard, found: SupplyEvidence) -> list[Finding]:
    findings = []
    if found.read:
        rating = doubted(supply_rating_finding(found.figures, evidence=found.evidence), found.doubts)
        findings.append(with_heater_winding(rating, card.heater_winding, found.figures))
    board = card.board
    limits = board.supply_min or board.supply_max or board.reservoir_rating
    if (found.read or found.rails) and (limits or board.topology):
        window = rail_window_finding(found.figures, measured=found.rails, evidence=found.rail_evidence)
        findings.append(doubted(window, found.doubts))
    if (found.read or found.rails) and board.swing_loss and board.source_level:
        findings.append(doubted(_headroom(card, found), found.doubts))
    return findings


def with_heater_winding(finding: Finding, winding: HeaterWinding, figures: SupplyFigures) -> Finding:
    """The radio's own heater winding as another source: what it has to spare, beside what the board needs."""
    rating, used, volts = (figure(winding.rating, "A"), figure(winding.used, "A"), figure(winding.volts, "V"))
    if rating is None:
        return finding
    if used is None:
        more = "the current that the valves take from the radio's own heater winding (heater_winding.used, on the card)"
        return replace(finding, missing=(*finding.missing, more))
    spare = rating - used
    if spare <= 0:
        said = (
            f"The radio's own heater winding has nothing to spare: it is rated for {show(rating, 'A')}, and "
            f"{show(used, 'A')} are used."
        )
        return replace(finding, statement=f"{finding.statement} {said}")
    said = (
        f"The radio's own heater winding has {show(spare, 'A')} to spare: it is rated for {show(rating, 'A')} and the "
        f"valves take {show(used, 'A')}."
    )
    if volts is not None:
        said += f" At {show(volts, 'V')} that is {show(spare * volts, 'VA')}"
        needed = figures.required_rating
        if needed is None:
            said += "."
        else:
            said += f", {'more' if spare * volts >= needed else 'less'} than the {show(needed, 'VA')} asked for here."
    caution = "A heater winding may be joined to the chassis or the mains: prove that first, with the plug out."
    return replace(
        finding, statement=f"{finding.statement} {said}", advice=f"{finding.advice} {caution}".strip()
    )  # fmt: skip


_HEADROOM_TITLE = "Headroom of the board"


def _headroom(card: RadioCard, found: SupplyEvidence) -> Finding:
    """By the lowest of the ripple at low mains; by a rail as read only where that already clips."""
    loss, source = figure(card.board.swing_loss, "V"), figure(card.board.source_level, "V")
    decibels = figure(card.board.gain, "dB")
    rail, u, at, measured_only = _weakest(found)
    evidence = found.rail_evidence
    if rail is None or loss is None or source is None:
        return _no_headroom(
            "No rail could be computed or was read, so how far the board can be turned up cannot be said.",
            Level.UNDECIDED, evidence, tuple(found.figures.missing),
        )  # fmt: skip
    single = found.figures.given.topology not in (Topology.DUAL_HALF_WAVE, None)
    try:
        gain = None if decibels is None else 10 ** (decibels / 20)
        computed = headroom(rail, loss, loss, source, single=single)
        finding = headroom_finding(computed, u_rail=u / (2 if single else 1), set_gain=gain, at=at, evidence=evidence)
    except (ValueError, ArithmeticError) as exc:
        return _no_headroom(f"The board cannot play undistorted: {exc} ({at}).", Level.CAUTION, evidence, ())
    if measured_only and finding.level is Level.WITHIN:
        more = "the lowest of the ripple: volts off load and on load, and the current, at point secondary"
        finding = replace(
            finding, level=Level.UNDECIDED, missing=(*finding.missing, more),
            statement=f"{finding.statement} A meter on DC does not show the lowest of the ripple: not settled.",
        )  # fmt: skip
    return finding


def _weakest(found: SupplyEvidence) -> tuple[float | None, float, str, bool]:
    """The lowest rail, its standard uncertainty, where that holds, and whether it is a mean as read. [V]"""
    figures = found.figures
    computed, read = lowest_rail(figures), _lowest_read(found.rails, figures.given.nominal_mains)
    nominal = figures.given.nominal_mains or math.nan
    if computed is not None and (read is None or computed.lowest <= read[0]) and computed.lowest > 0:
        high = figures.at(NO_LOAD_TAG, 1.1)
        idle = computed.highest if high is None else high.rails[0].highest * MAINS_LOW / 1.1
        u = rail_expanded(figures, computed.lowest, idle) / COVERAGE
        rest = "" if figures.given.topology in (Topology.DUAL_HALF_WAVE, None) else ", the output resting at half of it"
        return computed.lowest, u, f"the lowest of the ripple at {MAINS_LOW * nominal:.4g} V mains{rest}", False
    if read is not None:
        return (*read, "a rail as read, scaled to the lowest mains", True)
    return None, 0.0, "", True


def _lowest_read(rails: Sequence[MeasuredRail], nominal: float | None) -> tuple[float, float] | None:
    found = []
    for rail in rails:
        if rail.value is not None and rail.load != NO_LOAD_TAG:
            factor = MAINS_LOW * (nominal / rail.mains if nominal and rail.mains else 1.0)
            found.append((factor * rail.value, factor * rail.u))
    return min(found, default=None)


def _no_headroom(why: str, level: Level, evidence: tuple[Evidence, ...], missing: tuple[str, ...]) -> Finding:
    return Finding(
        id="headroom", level=level, title=_HEADROOM_TITLE, statement=why, evidence=evidence, missing=missing,
        limit_source="clipping of the board's own output: rail, swing loss and source level on the card",
        advice="Attenuate the source or raise the rails." if level is Level.CAUTION else
               "Read the rails, or the secondary's volts and current, with the board at its loudest.",
    )  # fmt: skip
