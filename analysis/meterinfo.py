"""The meters of a session, as its descriptor tells of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_WORDS = ("role", "profile", "port", "identity", "rms", "current_coupling", "isolation", "category", "calibrated")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterInput:
    """What a meter puts across the circuit."""

    quantity: str
    coupling: str
    resistance: float | None  #: [Ω]
    capacitance: float | None  #: [F]


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyLine:
    """One data-sheet line of a session's descriptor."""

    quantity: str
    coupling: str
    range: float | None
    of_reading: float
    digits: float
    resolution: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterInfo:
    """A meter as the session's descriptor tells of it."""

    role: str
    profile: str = ""
    port: str = ""
    identity: str = ""
    inputs: tuple[MeterInput, ...] = ()
    rms: str = ""
    current_coupling: str = ""
    isolation: str = ""
    category: str = ""
    accuracy: tuple[AccuracyLine, ...] = ()
    calibrated: str = ""
    calibration_interval_days: int = 365
    burden_voltage: float | None = None

    def input_for(self, quantity: str, coupling: str) -> MeterInput | None:
        """The input entry of that quantity and coupling, else one that names no coupling."""
        for wanted in (coupling, "acdc" if coupling == "ac" else coupling, ""):
            for entry in self.inputs:
                if entry.quantity == quantity and entry.coupling == wanted:
                    return entry
        return None


def read_meter(entry: Mapping[str, Any]) -> MeterInfo:
    """A meter from its entry in a descriptor; what is not told, or cannot be, is unknown."""
    inputs = tuple(
        MeterInput(quantity=str(i.get("quantity", "")), coupling=str(i.get("coupling") or ""),
                   resistance=_within(i.get("resistance_ohm"), 1.0, 1e13),
                   capacitance=_within(i.get("capacitance_F"), 0.0, 1e-3))
        for i in objects(entry.get("inputs"))
    )  # fmt: skip
    lines = tuple(
        AccuracyLine(quantity=str(a.get("quantity", "")), coupling=str(a.get("coupling") or ""),
                     range=_json_number(a.get("range")), of_reading=_json_number(a.get("of_reading")) or 0.0,
                     digits=_json_number(a.get("digits")) or 0.0, resolution=_json_number(a.get("resolution")))
        for a in objects(entry.get("accuracy"))
    )  # fmt: skip
    words = {name: str(entry.get(name) or "") for name in _WORDS}
    days = entry.get("calibration_interval_days")
    return MeterInfo(
        inputs=inputs, accuracy=lines, calibration_interval_days=days if isinstance(days, int) else 365,
        burden_voltage=_json_number(entry.get("burden_voltage_V")), **words,
    )  # fmt: skip


def objects(value: object) -> list[dict[str, Any]]:
    """The objects of what should be a list of them."""
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _within(value: object, low: float, high: float) -> float | None:
    """A number that can be what it says it is; None for any other."""
    number = _json_number(value)
    return number if number is not None and low <= number <= high else None


def _json_number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None
