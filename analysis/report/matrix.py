"""Plug x switch x point: which state read what, for the table, the picture and the side by side of two stages."""

from __future__ import annotations

from typing import NamedTuple

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.chassis import wanted_states
from analysis.finding import ORDER, Finding, Level, Outcome, StateOutcome
from analysis.report import grid, standing
from analysis.report.plots import Cell, MatrixPlot
from analysis.report.text import amount, exactly, plain
from analysis.table import Radio

#: Points in one picture: more would not fit on a page.
ROWS = 14
#: Height of a picture's rows that still goes on a page with its title. [in]
HEIGHT = 7.6
_NOT_JUDGED = standing.Badge(words="NOT JUDGED", tone=Level.UNDECIDED)
_OUTCOMES = {
    Outcome.ABOVE: "above the limit", Outcome.BELOW: "below the limit", Outcome.TOO_CLOSE: "too close to call",
    Outcome.MISSING: "not measured",
}  # fmt: skip
#: Worst first, for the one word of a cell.
_RANK = ("over range", "above the limit", "too close to call", "below the limit", "not measured")
_COUPLINGS = {"ac": "AC", "dc": "DC", "acdc": "AC+DC"}


class Line(NamedTuple):
    """A point in every state."""

    point: str
    level: Level | None  #: its finding's own; None: not judged
    cells: tuple[Cell, ...]  #: one for each column
    remark: str  #: why the level is not what the volts alone would give, or counts as worse
    badge: str  #: the level as it is shown
    tone: Level  #: whose colour it has


Columns = tuple[tuple[str, str], ...]
Table = tuple[Line, ...]


def outcome_words(state: StateOutcome) -> str:
    """Where a state's volts stand, in words; volts across a burden tell of a current and meet no limit."""
    if state.overload:
        return "over range"
    return "not compared" if state.burden is not None and state.value is not None else _OUTCOMES[state.outcome]


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
    return {f.id.removeprefix(standing.VOLTS): f for f in assessment.findings if f.id.startswith(standing.VOLTS)}


def points(radio: Radio, assessment: Assessment) -> list[str]:
    """The card's points, then others that were judged."""
    return list(dict.fromkeys([*radio.card.points, *touch_findings(assessment)]))


def columns(radio: Radio, assessment: Assessment) -> Columns:
    """Plug and switch of every state that belongs to a full measurement, then others that were found."""
    wanted = wanted_states(radio.card)
    found = [(s.plug, s.switch) for f in touch_findings(assessment).values() for s in f.states]
    return tuple(dict.fromkeys([*wanted, *found]))[:8]


def switches(card: RadioCard) -> tuple[str, ...]:
    """The positions of the switch that a full measurement has."""
    return tuple(dict.fromkeys(switch for _, switch in wanted_states(card)))


def unread(finding: Finding, card: RadioCard, coupling: str = "ac") -> tuple[tuple[str, str], ...]:
    """Plug and switch of the states that a full measurement has and that were not read by the meter alone."""
    read = {
        (s.plug, s.switch) for s in finding.states
        if s.burden is None and s.coupling == coupling and (s.value is not None or s.overload)
    }  # fmt: skip
    return tuple(state for state in wanted_states(card) if state not in read)


def table(radio: Radio, assessment: Assessment, of: Columns) -> Table:
    """A line for each point, the worst first, a cell for each state."""
    found = touch_findings(assessment)
    rows = []
    for point in points(radio, assessment):
        finding = found.get(point)
        states = finding.states if finding else ()
        cells = tuple(_cell([s for s in states if (s.plug, s.switch) == column]) for column in of)
        shown = standing.badge(finding, assessment) if finding else _NOT_JUDGED
        line = Line(
            point=plain(point, 60), level=finding.level if finding else None, cells=cells, badge=shown.words,
            tone=shown.tone, remark=standing.cell_remark(finding, assessment),
        )  # fmt: skip
        rows.append((standing.counted(finding, assessment) if finding else Level.UNDECIDED, line))
    return tuple(line for _, line in sorted(rows, key=lambda row: ORDER.index(row[0])))


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
    pages = _pages(rows)
    found = []
    for at, page in enumerate(pages, 1):
        part = f" ({at} of {len(pages)})" if len(pages) > 1 else ""
        found.append(MatrixPlot(
            key=f"matrix-{at}", title=f"Volts against mains earth in every state{part}", alt=_alt(of, page),
            caption="Each cell: the volts as measured with their expanded uncertainty, and where they stand against "
                    "the limit. Empty, dashed cells were not measured.",
            columns=of, rows=tuple((row.point, *_said(row), row.cells) for row in page),
        ))  # fmt: skip
    return tuple(found)


def _pages(rows: Table) -> list[Table]:
    """The rows, as many as go on a page at a time."""
    pages: list[list[Line]] = []
    height = 0.0
    for row in rows:
        own = grid.lay((row.point, *_said(row), row.cells)).height
        if not pages or len(pages[-1]) == ROWS or height + own > HEIGHT:
            pages.append([])
            height = 0.0
        pages[-1].append(row)
        height += own
    return [tuple(page) for page in pages]


def _said(row: Line) -> tuple[str, str]:
    return row.badge, row.remark


def _alt(of: Columns, rows: Table) -> str:
    lines = []
    for row in rows:
        words = [f"{column_words(column)}: {cell.value}" for column, cell in zip(of, row.cells, strict=True)]
        judged = ", ".join(word for word in _said(row) if word)
        lines.append(f"{row.point}, {judged}. {'; '.join(words)}")
    return "Grid of points by plug and switch. " + ". ".join(lines) + "."


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
