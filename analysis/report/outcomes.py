"""A finding's figures and the table of its states: what was read, what of it meets the limit, and where it stands."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.finding import Evidence, Finding, StateOutcome
from analysis.report import matrix
from analysis.report.owner import KIND_NAMES
from analysis.report.standing import CURRENT, Current
from analysis.report.text import amount, exactly, plain, rounded, runs
from drivers.units import counted, show

#: Places of evidence named with one finding; more would bury the rest.
EVIDENCE = 40
#: What value and limit are called, by kind of finding; others have a value and a limit.
_LABELS = {
    "touch-voltage": ("Volts ± U", "Voltage limit"),
    "touch-current": ("At most, with U", "Limit"),
    "headroom": ("Clips above, gain ± U", "Set to"),
    "supply-rating": ("Asked for ± U", "Fitted"),
    "rail-window": ("Rail judged ± U", "Limit"),
    "mains-level": ("Mains ± U", "Limit"),
    "level-match": ("Difference ± U", "Counts as alike up to"),
    "hum-difference": ("Difference ± U", "Counts as alike up to"),
    "insulation": ("Lowest reading ± U", "At least"),
    "winding-rise": ("Rise ± U", "Limit"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRow:
    """One state in a finding's table."""

    state: str
    value: str
    guard: str
    compared: str  #: reading, guard and U together: what meets the limit
    outcome: str
    rows: str  #: of readings.csv


@dataclass(frozen=True, slots=True, kw_only=True)
class StateTable:
    """The states that a finding rests on, the worst first."""

    weighed: bool  #: the volts themselves meet the finding's limit; else a current is worked out from them
    sitting: str  #: whose rows they are, where all are of one
    rows: tuple[StateRow, ...]


def state_table(finding: Finding) -> StateTable:
    """The finding's states by plug and switch, the worst first, each with its readings under a burden after it."""
    sittings = list(dict.fromkeys(state.session for state in finding.states if state.session))
    groups: dict[tuple[str, str, str], list[StateOutcome]] = {}
    for state in finding.states:
        groups.setdefault((state.plug, state.switch, state.coupling), []).append(state)
    if not any(state.value is not None or state.overload for state in finding.states):
        groups.clear()  # what is missing stands as a list; a table of nothing but that tells no more
    ordered = sorted(groups.values(), key=lambda group: max(map(_height, group)), reverse=True)
    return StateTable(
        weighed=not finding.id.startswith("touch-current"), sitting=plain(sittings[0]) if len(sittings) == 1 else "",
        rows=tuple(_row(state, several=len(sittings) > 1) for group in ordered for state in group),
    )  # fmt: skip


def _height(state: StateOutcome) -> float:
    """How bad a state is beside others; one that is missing comes last."""
    if state.overload:
        return math.inf
    return abs(state.value) if state.value is not None else -1.0


def _row(state: StateOutcome, *, several: bool) -> StateRow:
    where = f"{plain(state.session)}: " if several else ""
    return StateRow(
        state=matrix.state_words(state), value=matrix.state_value(state),
        guard=rounded(state.loading_guard, "V") if state.loading_guard else "–",
        compared=_volts(state.compared) if state.compared is not None else "–", outcome=matrix.outcome_words(state),
        rows=where + place(state.rows, state.take) if state.rows else "–",
    )  # fmt: skip


def _volts(value: float) -> str:
    """To four digits, so that 29.97 V does not stand as 30.0 V beside a limit of 30 V."""
    if not 0.01 <= value < 1:
        return show(value, "V", 10.0 ** (math.floor(math.log10(value)) - 3) if value else None)
    return f"{value:.3f} V"


def unlisted(finding: Finding, listed: tuple[Evidence, ...] = ()) -> tuple[str, ...]:
    """The places of evidence that no table names already, a text for each sitting.

    Args: listed: what another table than that of the states names.
    """
    named = {(state.session, state.rows, state.take) for state in finding.states}
    named |= {(entry.session, entry.rows, entry.take) for entry in listed}
    rest = [entry for entry in finding.evidence if (entry.session, entry.rows, entry.take) not in named]
    sittings: dict[str, list[str]] = {}
    for entry in rest[:EVIDENCE]:
        sittings.setdefault(plain(entry.session), []).append(place(entry.rows, entry.take))
    shown = [f"{sitting}: rows {', '.join(dict.fromkeys(places))}" for sitting, places in sittings.items()]
    return (*shown, f"and {counted(len(rest) - EVIDENCE, 'more place')}") if rest[EVIDENCE:] else tuple(shown)


def place(rows: tuple[int, ...], take: int | None) -> str:
    """Rows of readings.csv, and the take that they are of."""
    return (runs(rows) or "–") + (f" (take {take})" if take is not None else "")


def labels(finding: Finding) -> tuple[str, str]:
    """What the finding's value and limit are called."""
    value, limit = _LABELS.get(finding.id.partition(":")[0], ("Value ± U", "Limit"))
    return value, f"{limit}, changed on the card" if finding.limit_changed_by_user else limit


def figures(finding: Finding) -> tuple[str, str]:
    """Value and limit as texts, empty where there is none; a gain as a ratio and in dB.

    A current is the figure that meets its limit: the highest that the readings allow, with their U.
    """
    value = limit = ""
    if finding.value is not None and finding.id.startswith(CURRENT):
        value = rounded(finding.value + (finding.expanded_uncertainty or 0.0), finding.unit or "A")
    elif finding.value is not None:
        value = amount(finding.value, finding.expanded_uncertainty, finding.unit) + _decibels(finding, finding.value)
    if finding.limit is not None:
        limit = exactly(finding.limit, finding.unit or "") + _decibels(finding, finding.limit)
    return value, limit


def _decibels(finding: Finding, ratio: float) -> str:
    return f" ({20 * math.log10(ratio):.1f} dB)" if finding.id == "headroom" and ratio > 0 else ""


def further(finding: Finding, current: Current | None) -> tuple[tuple[str, str], ...]:
    """What this kind of finding tells beside its value: a current's bounds, the kind of chassis.

    Args: current: what lets volts pass that are not below their limit; None where nothing has to.
    """
    found = []
    if current is not None and current.most:
        found += [("Through a body, at most", current.most), ("Limit of the current", current.limit)]
    if finding.id.startswith(CURRENT) and finding.value is not None:
        found.append(("As computed ± U", amount(finding.value, finding.expanded_uncertainty, finding.unit)))
    low, high = (finding.extra.get(key) for key in ("low", "high"))
    if isinstance(low, int | float) and isinstance(high, int | float):
        found.append(("Bounds before U", " to ".join(dict.fromkeys(rounded(float(b), "A") for b in (low, high)))))
    for key, name in (("kind", "Kind"), ("pin", "Pin"), ("runner_up", "Next likely")):
        if finding.extra.get(key) is not None:
            found.append((name, KIND_NAMES.get(str(finding.extra[key])) or plain(finding.extra[key], 40)))
    return tuple(found)
