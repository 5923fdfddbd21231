"""Whether a measuring chain was proved, and what the mains did: what every touch finding rests on.

A dead socket, a tripped device, a lifted earth clip and a floating supply all read zero. So a low reading counts only
beside a high one by the same meter in the same session.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from analysis.card import RESERVED, RadioCard, figure
from analysis.states import Value
from drivers.units import show

#: The socket must read within this of the nominal mains, or some state reach this much of it. Source: own choice.
NEAR, ENOUGH = 0.15, 0.80
#: Neutral above this much of nominal unproves the chain. Source: own choice; IEC 60990 4.3 wants under 1 %.
NEUTRAL = 0.10
#: The highest mains to be expected, of nominal. Source: IEC 60038, 230 V ± 10 %.
HIGHEST = 1.1

CHAIN_POINTS = ("mains-line", "mains-neutral")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Whether one meter in one session was shown to read what there is."""

    proved: bool
    how: str  #: what proved it, or why it is not proved
    rows: tuple[int, ...] = ()
    last: float = 0.0  #: when something was read last that proves it [s since 1970]


def _fed_elsewhere(fed_from: str) -> str:
    source = fed_from.replace("-", " ")
    return f"the radio was fed from {source}: readings to earth then say nothing about the socket at home"


def prove(
    values: Sequence[Value], *, card: RadioCard, fed_from: str, line_at_end: tuple[float, float] | None = None
) -> Proof:
    """Whether the chain of one session and meter is proved.

    Args:
        values: what that meter settled on in that session: AC volts of touch points, with and without burden, and of
            the socket's contacts.
        fed_from: how the radio was fed; anything but the mains unproves the chain.
        line_at_end: what it settled on last on the live contact, and when: a chain that failed later proves nothing.
            [V, s since 1970]
    """
    volts = [v for v in values if v.key.quantity == "voltage" and v.key.coupling == "ac" and v.value is not None]
    nominal = figure(card.nominal_mains, "V")
    if fed_from != "mains":
        return Proof(proved=False, how=_fed_elsewhere(fed_from))
    if nominal is None:
        return Proof(proved=False, how="the card names no mains voltage to prove the measuring chain by")
    told = [v for v in values if v.key.point == "mains-neutral" and v.key.quantity == "voltage"]
    neutral = [v for v in told if v.overload or v.magnitude > NEUTRAL * nominal]
    if neutral:
        shown = "an overload" if neutral[0].value is None else show(neutral[0].magnitude, "V", neutral[0].resolution)
        return Proof(
            proved=False, how=f"the socket's neutral read {shown} against the earth used", rows=neutral[0].rows
        )
    line = [v for v in volts if v.key.point == "mains-line"]
    if line_at_end is not None and abs(line_at_end[0] - nominal) > NEAR * nominal:
        shown = show(line_at_end[0], "V")
        return Proof(proved=False, how=f"the socket's live contact read {shown} when it was read last")
    high = [v for v in volts if v.key.point not in RESERVED and v.magnitude >= ENOUGH * nominal]
    last = max((*(v.ended for v in high), line_at_end[1] if line_at_end is not None else 0.0), default=0.0)
    for value in line:
        if abs(value.magnitude - nominal) <= NEAR * nominal:
            shown = show(value.magnitude, "V", value.resolution)
            return Proof(proved=True, how=f"the socket's live contact read {shown}", rows=value.rows, last=last)
    for value in high:
        shown = show(value.magnitude, "V", value.resolution)
        return Proof(proved=True, how=f"{value.key.point} read {shown} in one state", rows=value.rows, last=last)
    if line:
        shown = show(line[0].magnitude, "V", line[0].resolution)
        return Proof(proved=False, how=f"the socket's live contact read {shown}, not near {card.nominal_mains}")
    return Proof(proved=False, how="nothing shows that this meter would have read a voltage (mains-line was not read)")


def mains_factor(values: Iterable[Value], *, card: RadioCard) -> float:
    """What readings of one session are multiplied by to stand for the highest mains to be expected; 1 at least.

    It is 1.1 x nominal over the session's `mains`, else `mains-line`, else the highest state: the one that proves.
    """
    nominal = figure(card.nominal_mains, "V")
    volts = [v for v in values if v.key.quantity == "voltage" and v.key.coupling == "ac" and v.value]
    if nominal is None:
        return 1.0
    for points in (("mains",), ("mains-line",)):
        read = [v.magnitude for v in volts if v.key.point in points and v.magnitude >= NEUTRAL * nominal]
        if read:
            return max(1.0, HIGHEST * nominal / min(read))
    read = [v.magnitude for v in volts if v.key.point not in RESERVED and v.magnitude >= ENOUGH * nominal]
    return max(1.0, HIGHEST * nominal / max(read)) if read else 1.0


Proofs = Mapping[tuple[str, str], Proof]
