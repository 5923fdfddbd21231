"""Touch limits with their sources, and what the radio's card changes in them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

KINDS = ("touch_voltage_ac", "touch_voltage_dc", "touch_current_ac", "touch_current_dc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit: the value in force, the default that it may have been changed from, and the upper boundary."""

    value: float  #: in force [V] or [A]
    default: float  #: what a card without limits (but with its own `strict`) would give
    upper: float  #: from here on it is danger; never changed by a card
    source: str
    upper_source: str
    changed: bool = False  #: by the card's own value

    @property
    def raised(self) -> bool:
        """Whether the card raised it: a raised limit never yields `within`."""
        return self.value > self.default


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchLimits:
    """The four limits that a touchable part is judged by."""

    voltage_ac: Limit
    voltage_dc: Limit
    current_ac: Limit
    current_dc: Limit
    strict: bool = False


@cache
def _table() -> dict[str, dict[str, str | float]]:
    data = tomllib.loads((resources.files("analysis") / "limits.toml").read_text("utf-8"))
    return {kind: data[kind] for kind in KINDS}


def touch_limits(*, strict: bool = False, own: Mapping[str, float] | None = None) -> TouchLimits:
    """The limits in force for one radio.

    Args:
        strict: children or a damp place: 25 V AC and 0.25 mA, and 25 V in place of the upper 50 V AC.
        own: single limits from the card, by kind, in V or A; each wins over `strict`, the upper boundaries stay.
    Raises: ValueError: an unknown kind, or a limit that is not above zero.
    Source: analysis/limits.toml names the standard, edition and table of each.
    """
    own = own or {}
    for kind, value in own.items():
        if kind not in KINDS:
            raise ValueError(f"unknown limit {kind!r}: expected one of {', '.join(KINDS)}")
        if not value > 0:
            raise ValueError(f"limit {kind} is {value!r}: expected a figure above zero")
    return TouchLimits(
        strict=strict,
        **{kind.removeprefix("touch_"): _limit(kind, strict=strict, own=own.get(kind)) for kind in KINDS},
    )


def _limit(kind: str, *, strict: bool, own: float | None) -> Limit:
    row = _table()[kind]
    default = float(row["strict"] if strict else row["limit"])
    usual = float(row["limit"])
    if own is not None and own <= usual:  # a single limit of the card's wins over `strict`, and is not raised by it
        default = max(default, own)
    source = str(row["strict_source"] if strict else row["source"])
    changed = own is not None and own != float(row["strict"] if strict else row["limit"])
    return Limit(
        value=default if own is None else own,
        default=default,
        upper=float(row.get("strict_upper", row["upper"]) if strict else row["upper"]),
        source=f"{'raised' if own is not None and own > default else 'set'} by the radio's card, in place of {source}"
        if changed
        else source,
        upper_source=str(row["strict_source"] if strict and "strict_upper" in row else row["upper_source"]),
        changed=changed,
    )
