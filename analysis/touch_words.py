"""What the touch findings say to a person: statements and advice in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.card import RadioCard
from analysis.finding import Level, Outcome
from analysis.judge import against_upper
from analysis.uncertainty import conformance
from drivers.units import show, show_pm

if TYPE_CHECKING:
    from analysis.chassis import Matrix, TouchPicture
    from analysis.touchable import TouchState, Verdict

CAUTION = (
    "Treat every metal part as live until it is proved otherwise at this socket, and leave work on the mains side to "
    "those licensed for it where local codes say so."
)

#: From this factor on the highest mains differ from those of the sitting by more than a rounding.
SCALED = 1.005


def _read(state: TouchState) -> str:
    alone = state.alone
    if alone is None:
        return "was not read without a burden"
    if alone.value is None:
        beyond = "" if alone.range is None else f" of {show(alone.range, 'V')}"
        return f"read beyond the meter's range{beyond}"
    return f"read {show_pm(alone.magnitude, alone.expanded, 'V')} {state.coupling.upper()} to earth"


def touch_statement(matrix: Matrix, picture: TouchPicture) -> str:
    """Two or three sentences on one point, and what the statement leans on."""
    top = matrix.worst
    if top is None:
        return f"{matrix.point} was not measured in any state, so nothing can be said of it."
    limit = picture.setting.voltage_limit(top.state.coupling)
    parts = [f"With {top.state.name}, {matrix.point} {_read(top.state)}; the limit is {show(limit.value, 'V')}."]
    parts += _why(top, picture)
    if matrix.contradiction:
        parts.append(matrix.contradiction)
    if matrix.missing_states:
        parts.append(f"Not measured: {'; '.join(matrix.missing_states)}.")
    if not matrix.proved:
        reasons = "; ".join(_unproved(matrix, picture)) or "nothing shows it"
        parts.append(f"The measuring chain is not proved: {reasons}.")
    parts += _notes(matrix, picture)
    return " ".join(parts)


def _unproved(matrix: Matrix, picture: TouchPicture) -> list[str]:
    """Why the chain of some of its readings is not proved, each reason once."""
    reasons: dict[str, None] = {}
    for verdict in matrix.verdicts:
        for value in verdict.state.values:
            proof = picture.proofs.get((value.session, value.meter))
            if proof is not None and not proof.proved:
                reasons[proof.how] = None
            before, after = picture.setting.contact(value)
            if before is False or after is False:
                when = "before" if before is False else "after"
                reasons[f"the probe was seen not to touch {matrix.point} {when} {verdict.state.name}"] = None
    return list(reasons)


def _burdens(state: TouchState) -> str:
    taken = [
        f"{show(ohms, 'Ohm')} it came to "
        + ("beyond the meter's range" if value.value is None else show_pm(value.magnitude, value.expanded, "V"))
        for ohms, value in sorted(state.loaded.items(), reverse=True)
    ]
    return " and with ".join(taken)


def _why(verdict: Verdict, picture: TouchPicture) -> list[str]:
    """The reason for the level of one state."""
    state, parts = verdict.state, []
    if state.loaded:
        parts.append(f"A burden reading was taken: with {_burdens(state)}.")
    if verdict.reason == "trip":
        parts.append(
            "The residual-current device opened during a burden reading: the part can give a dangerous current."
        )
    elif verdict.reason in ("current", "hard"):
        parts.append(_by_current(verdict, picture))
    elif verdict.reason == "no-burden":
        parts.append(
            "No burden reading was taken in this state, so a stray coupling cannot be told from a hard connection"
            + ("; it is taken as a hard connection." if verdict.level is Level.DANGER else ".")
        )
    elif verdict.reason == "overload":
        parts.append(
            "One burden reading does not settle what lies behind it."
            if state.loaded
            else "No burden reading was taken."
        )
    elif verdict.reason == "together":
        parts.append("AC and DC are each below their limit, but not together.")
    elif verdict.reason == "voltage" and verdict.level is Level.WITHIN:
        parts.append("That is below the voltage limit, or from a source unable to give the limiting current.")
    parts += _at_highest_mains(verdict, picture)
    if verdict.raised_only:
        parts.append("Only the limit that the card raised would let it pass; the default limit decides.")
    likely = _likely(verdict)
    if likely:
        parts.append(likely)
    if verdict.later:
        parts.append("A later reading of this state lay above the limit: read it again.")
    return parts


def _at_highest_mains(verdict: Verdict, picture: TouchPicture) -> list[str]:
    """What decided, computed for the highest mains to be expected; nothing where the sitting had them."""
    state = verdict.state
    factor = max((picture.setting.factors.get(value.session, 1.0) for value in state.values), default=1.0)
    if factor < SCALED or verdict.volts is None:
        return []
    by_current = verdict.reason in ("current", "hard") and verdict.current_high is not None
    most, unit = (verdict.current_high or 0.0, "A") if by_current else (verdict.volts + verdict.expanded, "V")
    shown = show(factor * most, unit, _digit(factor * most))
    beyond = ", which exceeds the limit" if verdict.scaled_only else ""
    return [f"At the highest mains to be expected, {factor:.2f} times that of the sitting, it would be up to {shown}"
            f" (computed){beyond}."]  # fmt: skip


def _likely(verdict: Verdict) -> str:
    """How sure it is that a voltage too close to call lies below its limit."""
    alone = verdict.state.alone
    if alone is None or alone.value is None:
        return ""
    if against_upper(alone.magnitude, alone.expanded, verdict.limit) is not Outcome.TOO_CLOSE:
        return ""
    chance = conformance(alone.magnitude, alone.u, upper=verdict.limit)
    return f"As measured the voltage is too close to call: below the limit with a probability of {100 * chance:.0f} %."


def _by_current(verdict: Verdict, picture: TouchPicture) -> str:
    bounds, limit = verdict.bounds, picture.setting.current_limit(verdict.state.coupling)
    if bounds is None or bounds.current.high is None or verdict.current_high is None:
        return (
            "The burden readings do not bound the current that a person touching it could draw; it counts as a hard"
            " connection."
        )
    high = show(verdict.current_high, "A", _digit(verdict.current_high))
    if verdict.current_high < limit.value:
        return f"At most {high} could flow through a person: within, by current, although the voltage alone is not."
    if verdict.level is not Level.DANGER:
        return (
            f"Up to {high} could flow through a person, more than {show(limit.value, 'A')}: it can startle, and it is"
            " no hard connection."
        )
    low = bounds.current.low or 0.0
    if low < limit.upper:
        return f"Up to {high} could flow through a person; a smaller burden would settle it, if its dissipation allows."
    return f"Up to {high} could flow through a person: this is a dangerous connection to the mains."


def _digit(value: float) -> float | None:
    import math

    return 10.0 ** (math.floor(math.log10(value)) - 1) if value > 0 else None


def _notes(matrix: Matrix, picture: TouchPicture) -> list[str]:
    values = [value for verdict in matrix.verdicts for value in verdict.state.values]
    parts = []
    if matrix.level is Level.WITHIN:
        parts += resting_on(matrix, picture)
    if any(value.by_fallback for value in values):
        parts.append("No accuracy line covers some readings; 3 % + 10 counts were taken for them.")
    if not any(verdict.state.coupling == "dc" and verdict.state.values for verdict in matrix.verdicts):
        parts.append("This speaks of AC; DC was not read.")
    if picture.frequency_assumed:
        parts.append("The card names no mains frequency; 60 Hz was taken.")
    return parts


def resting_on(matrix: Matrix, picture: TouchPicture) -> list[str]:
    """What low readings rest on besides the meter: a probe in the air and a chain that failed read low as well."""
    low = [v.state for v in matrix.verdicts if v.volts is not None and v.volts < v.limit]  # a high one was in contact
    values = [value for state in low for value in state.values]
    if not values:
        return []
    seen = [picture.setting.contact(value) for value in values]
    if all(before for before, _ in seen):
        both = all(after for _, after in seen)
        parts = [f"The probe was seen to touch it before{' and after' if both else ''} the low readings."]
    else:
        parts = ["That the probe touched it was not read: the low readings rest on the word of whoever held it."]
    proofs = [(value, picture.proofs.get((value.session, value.meter))) for value in values]
    if any(proof is not None and proof.proved and proof.last < value.ended for value, proof in proofs):
        parts.append(
            "The measuring chain was not proved again after the low readings: had the socket or the earth clip failed"
            " meanwhile, these would read just so."
        )
    return parts


def touch_advice(matrix: Matrix, card: RadioCard) -> str:
    """What to do about one point; never a promise about a way round of the plug."""
    parts = []
    if matrix.level in (Level.DANGER, Level.CAUTION):
        parts.append(
            f"Keep {matrix.point} from being touched and bring nothing out that joins it, such as a socket or a metal"
            " case."
        )
    lower = _lower_way(matrix)
    if lower and card.plug in ("reversible", ""):
        parts.append(
            f"Way {lower} of the plug measured lower at this socket; a reversible plug can go in either way elsewhere, "
            "so either can occur."
        )
    if matrix.missing:
        parts.append(f"Still wanted: {'; '.join(matrix.missing)}.")
    if matrix.level is not Level.WITHIN:
        parts.append(CAUTION)
    return " ".join(parts)


def _lower_way(matrix: Matrix) -> str | None:
    heights = {}
    for way in ("1", "2"):
        values = [v.state.alone for v in matrix.verdicts if v.state.plug == way and v.state.coupling == "ac"]
        if not values or any(value is None for value in values):
            return None
        heights[way] = max(value.magnitude for value in values if value is not None)
    low, high = sorted(heights, key=lambda way: heights[way])
    return low if heights[low] < 0.9 * heights[high] else None
