"""Plug x switch x point: which state read what, for the table, the picture and the side by side of two stages."""

from __future__ import annotations

from analysis.assessment import Assessment
from analysis.finding import Finding, Level, Outcome, StateOutcome
from analysis.report.plots import Cell, MatrixPlot
from analysis.report.text import amount, exactly, plain
from analysis.table import Radio

#: Points in one picture: more would not fit on a page.
ROWS = 14
LEVEL_WORDS = {Level.DANGER: "DANGER", Level.CAUTION: "CAUTION", Level.UNDECIDED: "UNDECIDED", Level.WITHIN: "WITHIN"}
_OUTCOMES = {
    Outcome.ABOVE: "above the limit", Outcome.BELOW: "below the limit", Outcome.TOO_CLOSE: "too close to call",
    Outcome.MISSING: "not measured",
}  # fmt: skip
#: Worst first, for the one word of a cell.
_RANK = ("over range", "above the limit", "too close to call", "below the limit", "not measured")
_COUPLINGS = {"ac": "AC", "dc": "DC", "acdc": "AC+DC"}
PREFIX = "touch-voltage:"

Columns = tuple[tuple[str, str], ...]
Table = tuple[tuple[str, Level | None, tuple[Cell, ...]], ...]


def outcome_words(state: StateOutcome) -> str:
    """Where a state's volts stand, in words."""
    return "over range" if state.overload else _OUTCOMES[state.outcome]


def state_value(state: StateOutcome) -> str:
    """A state's volts with U and coupling."""
    if state.value is None:
        return "over range" if state.overload else "not measured"
    coupling = _COUPLINGS.get(state.coupling, "")
    return f"{amount(state.value, state.expanded_uncertainty, 'V')} {coupling}".strip()


def state_words(state: StateOutcome) -> str:
    """A state's tags in words."""
    burden = f", {exactly(state.burden, 'Ohm')} across the meter" if state.burden else ""
    return f"plug {plain(state.plug, 20) or '–'}, switch {plain(state.switch, 20) or '–'}{burden}"


def touch_findings(assessment: Assessment) -> dict[str, Finding]:
    """The touch findings by their point."""
    return {f.id.removeprefix(PREFIX): f for f in assessment.findings if f.id.startswith(PREFIX)}


def points(radio: Radio, assessment: Assessment) -> list[str]:
    """The card's points, then others that were judged."""
    return list(dict.fromkeys([*radio.card.points, *touch_findings(assessment)]))


def columns(radio: Radio, assessment: Assessment) -> Columns:
    """Plug and switch of every state that belongs to a full measurement, then others that were found."""
    wanted = [(plug, switch) for plug in "12" for switch in _switches(radio)]
    found = [(s.plug, s.switch) for f in touch_findings(assessment).values() for s in f.states]
    return tuple(dict.fromkeys([*wanted, *found]))[:8]


def _switches(radio: Radio) -> tuple[str, ...]:
    return ("on",) if radio.card.switch == "none" else ("on", "off")


def table(radio: Radio, assessment: Assessment, of: Columns) -> Table:
    """A row for each point, a cell for each state."""
    found = touch_findings(assessment)
    rows = []
    for point in points(radio, assessment):
        finding = found.get(point)
        states = finding.states if finding else ()
        cells = tuple(_cell([s for s in states if (s.plug, s.switch) == column]) for column in of)
        rows.append((plain(point, 60), finding.level if finding else None, cells))
    return tuple(rows)


def _cell(states: list[StateOutcome]) -> Cell:
    alone = [s for s in states if s.burden is None and (s.value is not None or s.overload)]
    burdens = tuple(
        f"loaded with {exactly(s.burden, 'Ohm')}: {state_value(s)}" for s in states if s.burden is not None
        and (s.value is not None or s.overload)
    )  # fmt: skip
    if not alone:
        return Cell(value="not measured", word="not measured", burdens=burdens)
    word = min((outcome_words(state) for state in alone), key=_RANK.index)
    return Cell(value="; ".join(state_value(state) for state in alone), word=word, burdens=burdens)


def column_words(column: tuple[str, str]) -> str:
    """A column's head."""
    plug, switch = (plain(word, 12) for word in column)
    return f"Plug way {plug or '–'}, switch {switch or '–'}"


def plots(of: Columns, rows: Table) -> tuple[MatrixPlot, ...]:
    """The matrix as pictures, a page of points each."""
    pages = [rows[at : at + ROWS] for at in range(0, len(rows), ROWS)]
    found = []
    for at, page in enumerate(pages, 1):
        part = f" ({at} of {len(pages)})" if len(pages) > 1 else ""
        found.append(MatrixPlot(
            key=f"matrix-{at}", title=f"Volts against mains earth in every state{part}", alt=_alt(of, page),
            caption="Each cell: the volts as measured with their expanded uncertainty, and where they stand against "
                    "the limit. Empty, dashed cells were not measured.",
            columns=of,
            rows=tuple((point, LEVEL_WORDS[level] if level else "NOT JUDGED", cells) for point, level, cells in page),
        ))  # fmt: skip
    return tuple(found)


def _alt(of: Columns, rows: Table) -> str:
    worst = []
    for point, level, cells in rows:
        words = [f"{column_words(column)}: {cell.value}" for column, cell in zip(of, cells, strict=True)]
        worst.append(f"{point}, {LEVEL_WORDS[level] if level else 'not judged'}. {'; '.join(words)}")
    return "Grid of points by plug and switch. " + ". ".join(worst) + "."


def highest(finding: Finding, plug: str) -> StateOutcome | None:
    """The highest state without a burden in one way of the plug; an overload is above any figure."""
    states = [s for s in finding.states if s.plug == plug and s.burden is None and (s.value is not None or s.overload)]
    return max(states, key=lambda s: (s.overload, abs(s.value or 0.0)), default=None)


def changes(old: Assessment, new: Assessment) -> list[tuple[str, str, str]]:
    """Each state that either assessment has a value for, with its value in both."""
    before, after = _by_state(old), _by_state(new)
    names = dict.fromkeys([*before, *after])
    return [(name, before.get(name, "not measured"), after.get(name, "not measured")) for name in names]


def _by_state(assessment: Assessment) -> dict[str, str]:
    return {
        f"{plain(point, 60)}: {state_words(state)}, {_COUPLINGS.get(state.coupling, 'coupling not told')}":
            state_value(state)
        for point, finding in touch_findings(assessment).items() for state in finding.states
        if state.burden is None and (state.value is not None or state.overload)
    }  # fmt: skip
