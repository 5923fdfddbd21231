"""How far the added board can be turned up: rails to undistorted output, permissible gain, and level match."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from analysis.finding import Evidence, Finding, Level
from analysis.judge import COVERAGE, falls_below
from drivers.units import show

#: Kept between the loudest programme and clipping unless told otherwise. [dB] Source: own choice, a factor of 1.41.
RESERVE = 3.0
#: A difference in level smaller than this is called a match. [dB] Source: own choice; about what an ear notices.
MATCH = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Headroom:
    """What the rails let the board's amplifier do with the source it has."""

    undistorted_peak: float  #: largest output about its rest [V]
    source_peak: float  #: of the source at full scale [V]
    reserve_dB: float  # noqa: N815 - the trade's own sign

    @property
    def gain_limit(self) -> float:
        """Gain at which full scale just clips."""
        return self.undistorted_peak / self.source_peak

    @property
    def gain_limit_dB(self) -> float:  # noqa: N802 - the trade's own sign
        """The same in decibels."""
        return 20 * math.log10(self.gain_limit)

    @property
    def advised_gain(self) -> float:
        """The gain limit less the reserve."""
        return float(self.gain_limit * 10 ** (-self.reserve_dB / 20))

    def to_json(self) -> dict[str, Any]:
        """The shape of the `headroom` command."""
        return {
            "undistorted_peak_V": self.undistorted_peak, "source_peak_V": self.source_peak,
            "gain_limit": self.gain_limit, "gain_limit_dB": self.gain_limit_dB, "reserve_dB": self.reserve_dB,
            "advised_gain": self.advised_gain,
        }  # fmt: skip


def undistorted_peak(
    rail: float, loss_high: float, loss_low: float, *, single: bool = False, bias: float | None = None
) -> float:
    """Largest undistorted output about its rest, for a sine or anything as tall on both sides. [V]

    Args:
        rail: the lowest of the ripple; of each rail for a dual supply, of the one rail for a single one. [V]
        loss_high, loss_low: what the output stays away from its upper and its lower rail. [V]
        single: one rail, with the output at rest at `bias` (half the rail if None).
    Raises: ValueError: a rail not above zero, a negative loss, a bias outside the rail, or no swing left.
    Source: min(bias − loss_low, rail − loss_high − bias); losses as the amplifier's data sheet gives its swing.
    """
    if not 0 < rail < math.inf:
        raise ValueError(f"a rail of {rail!r} V: expected more than zero")
    if not (0 <= loss_high < math.inf and 0 <= loss_low < math.inf):
        raise ValueError(f"swing losses of {loss_high!r} V and {loss_low!r} V: expected zero or more")
    if not single:
        if bias is not None:
            raise ValueError("a bias belongs to a single supply; a dual one rests at zero")
        peak = rail - max(loss_high, loss_low)
    else:
        rest = rail / 2 if bias is None else bias
        if not 0 < rest < rail:
            raise ValueError(f"a bias of {rest:.4g} V: expected between zero and the rail's {rail:.4g} V")
        peak = min(rest - loss_low, rail - loss_high - rest)
    if peak <= 0:
        raise ValueError(f"a rail of {rail:.4g} V leaves no output swing after losses of {loss_high:.4g} V above and "
                         f"{loss_low:.4g} V below")  # fmt: skip
    return peak


def headroom(
    rail: float, loss_high: float, loss_low: float, source: float, *, single: bool = False,
    bias: float | None = None, reserve_dB: float = RESERVE,  # noqa: N803 - the trade's own sign
) -> Headroom:  # fmt: skip
    """Permissible gain for a source of `source` volts rms at full scale (a sine).

    Raises: ValueError: as `undistorted_peak`, a source not above zero, or a negative reserve.
    """
    if not 0 < source < math.inf:
        raise ValueError(f"a source of {source!r} V: expected more than zero")
    if not 0 <= reserve_dB < 60:
        raise ValueError(f"a reserve of {reserve_dB!r} dB: expected from zero to 60 dB")
    peak = undistorted_peak(rail, loss_high, loss_low, single=single, bias=bias)
    return Headroom(undistorted_peak=peak, source_peak=math.sqrt(2) * source, reserve_dB=reserve_dB)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelMatch:
    """How much louder the board's programme is than the radio's own at the same point."""

    difference_dB: float  # noqa: N815 - the trade's own sign
    interval_dB: tuple[float, float]  # noqa: N815


def level_match(radio: float, board: float, u_radio: float, u_board: float) -> LevelMatch:
    """Board over radio in decibels, with a 95 % interval from both standard uncertainties.

    Args:
        radio, board: rms volts at the speaker, with the radio's own programme and with the board's. [V]
        u_radio, u_board: standard uncertainties, scatter of the programme included. [V]
    Raises: ValueError: a level not above zero, or a negative uncertainty.
    Source: JCGM 100:2008, 5.1.6 (relative uncertainties of a ratio), k = 2.
    """
    if not (0 < radio < math.inf and 0 < board < math.inf):
        raise ValueError(f"levels of {radio!r} V and {board!r} V: expected more than zero")
    if not (u_radio >= 0 and u_board >= 0):
        raise ValueError("a standard uncertainty cannot be negative")
    difference = 20 * math.log10(board / radio)
    half = COVERAGE * 20 / math.log(10) * math.hypot(u_radio / radio, u_board / board)
    return LevelMatch(difference_dB=difference, interval_dB=(difference - half, difference + half))


def headroom_finding(
    found: Headroom, *, u_rail: float = 0.0, set_gain: float | None = None, at: str = "the rail given",
    evidence: tuple[Evidence, ...] = (),
) -> Finding:  # fmt: skip
    """`headroom`: caution where the set gain clips; without a set gain, a gain of one is judged and said.

    Args:
        u_rail: standard uncertainty of the rail. [V]
        at: under which conditions the rail holds, such as "the lowest rail of the ripple at 103.5 V mains".
    """
    gain = 1.0 if set_gain is None else set_gain
    expanded = COVERAGE * u_rail / found.source_peak
    clips = falls_below(found.gain_limit, expanded, gain)
    said = "no gain is stated, so a gain of one" if set_gain is None else f"the set gain of {set_gain:.2f}"
    statement = (
        f"The board can put out {show(found.undistorted_peak, 'V')} peak undistorted ({at}); its source reaches "
        f"{show(found.source_peak, 'V')} peak, so that a gain above {found.gain_limit:.2f} "
        f"({found.gain_limit_dB:+.1f} dB) clips. "
        f"Judged for {said}: {'it can clip' if clips else 'it does not clip'}."
    )
    kept = (
        "" if clips else f"At a gain of {gain:.2f} there are {20 * math.log10(found.gain_limit / gain):.1f} dB left. "
    )
    advice = (
        f"{kept}Set the gain to {found.advised_gain:.2f} at most, which keeps {found.reserve_dB:g} dB in reserve"
        f"{'' if found.advised_gain >= 1 else ': attenuate the source'}."
    )
    return Finding(
        id="headroom", level=Level.CAUTION if clips else Level.WITHIN,
        title=f"Headroom: the board {'can clip' if clips else 'does not clip'} at "
              f"{'a gain of one' if set_gain is None else 'the gain it is set to'}",
        statement=statement, value=found.gain_limit, expanded_uncertainty=expanded or None, unit="1", limit=gain,
        limit_source="clipping of the board's own output: rail, swing loss and source level on the card",
        evidence=evidence, missing=() if set_gain is not None else ("the gain that the board is set to",),
        advice=advice,
    )  # fmt: skip


def level_match_finding(found: LevelMatch, *, evidence: tuple[Evidence, ...] = ()) -> Finding:
    """`level-match`: caution where the interval lies wholly outside ±1 dB, within where wholly inside."""
    low, high = found.interval_dB
    if low > MATCH or high < -MATCH:
        level, word = Level.CAUTION, "The two differ"
    elif low >= -MATCH and high <= MATCH:
        level, word = Level.WITHIN, "The two match"
    else:
        level, word = Level.UNDECIDED, "The readings are too uncertain to say whether they match"
    side = "louder" if found.difference_dB >= 0 else "quieter"
    statement = (
        f"The board's programme is {abs(found.difference_dB):.1f} dB {side} than the radio's own "
        f"(95 %: {low:+.1f} to {high:+.1f} dB). {word}, by a margin of {MATCH:g} dB."
    )
    return Finding(
        id="level-match", level=level, title="Level of the board against the radio", statement=statement,
        value=found.difference_dB, expanded_uncertainty=(high - low) / 2, unit="dB", limit=MATCH,
        limit_source="own choice: about the smallest difference that is noticed", evidence=evidence,
        missing=("more readings of both programmes",) if level is Level.UNDECIDED else (),
        advice=f"Change the board's gain by {-found.difference_dB:+.1f} dB." if level is Level.CAUTION else "",
    )  # fmt: skip
