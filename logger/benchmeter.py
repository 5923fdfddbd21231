"""Meters as a command names them, and as a session's descriptor tells of them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from drivers.profile import Isolation, Profile, Typed, load
from drivers.reading import BenchError
from drivers.units import UnitError, parse

#: Ports that are no lead to a computer: nothing joins the meter to it.
NO_LEAD = ("replay://", "practice://")


class MeterSpecError(BenchError):
    """A meter that was named wrongly, or that must not be used so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchMeter:
    """One meter of a sitting: its role, what the program knows of it, and its port."""

    role: str
    profile: Profile
    port: str  #: empty for a typed meter

    @property
    def isolation(self) -> Isolation:
        """What stands between its terminals and the computer here."""
        if self.typed or self.port.lower().startswith(NO_LEAD):
            return Isolation.NO_LINK
        return self.profile.isolation

    @property
    def named_port(self) -> str:
        """The port as the record names it: of a replayed wire log the file alone, wherever it lay."""
        scheme, mark, rest = self.port.partition("://")
        return f"{scheme}{mark}{rest.rpartition('/')[2]}" if mark and scheme.lower() == "replay" else self.port

    @property
    def typed(self) -> bool:
        """Whether its values are typed in."""
        return isinstance(self.profile.decode, Typed)

    def descriptor(self, identity: str = "") -> dict[str, Any]:
        """The meter as the session's descriptor lists it."""
        trust = self.profile.meter
        return {
            "role": self.role, "profile": self.profile.name, "port": self.named_port, "identity": identity,
            "inputs": [
                {"quantity": str(i.quantity), "coupling": str(i.coupling), "resistance_ohm": parse(i.resistance, "Ohm"),
                 "capacitance_F": parse(i.capacitance, "F") if i.capacitance else None}
                for i in self.profile.input
            ],
            "rms": trust.rms, "current_coupling": trust.current_coupling, "isolation": str(self.isolation),
            "category": trust.category,
            "accuracy": [
                {"quantity": str(a.quantity), "coupling": str(a.coupling), "range": _figure(a.range, a.quantity),
                 "of_reading": a.of_reading, "digits": a.digits, "resolution": _figure(a.resolution, a.quantity)}
                for a in self.profile.accuracy if not a.of_range
            ],
            "calibrated": trust.calibrated or None,
            "calibration_interval_days": trust.calibration_interval_days,
            "burden_voltage_V": parse(trust.burden_voltage, "V") if trust.burden_voltage else None,
        }  # fmt: skip


def _figure(text: str, quantity: str) -> float | None:
    from drivers.reading import UNITS, Quantity

    return parse(text, UNITS[Quantity(quantity)]) if text else None


def meter_of(text: str) -> BenchMeter:
    """A meter from `ROLE=PROFILE[@PORT]`. Raises: MeterSpecError, ProfileError."""
    role, equals, rest = text.partition("=")
    name, at, port = rest.partition("@")
    if not equals or not name or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,30}", role.strip()):
        raise MeterSpecError(f"{text!r} names no meter.", remedy="Write ROLE=PROFILE@PORT, such as v=scpi-bench@COM4.")
    profile = load(name)
    meter = BenchMeter(role=role.strip(), profile=profile, port=port)
    if meter.typed and at:
        raise MeterSpecError(f"{text!r}: a typed meter has no port.", remedy=f"Write {role}={name}.")
    if not meter.typed and not port:
        remedy = f"Write {role}={name}@PORT; 'chassislog ports' lists what is there."
        raise MeterSpecError(f"{text!r} names no port.", remedy=remedy)
    return meter


def meters_of(texts: Iterable[str]) -> list[BenchMeter]:
    """All meters of a sitting. Raises: MeterSpecError: none, or a role or port twice; ProfileError."""
    meters = [meter_of(text) for text in texts]
    if not meters:
        raise MeterSpecError("No meter was named.", remedy="Add --meter ROLE=PROFILE@PORT.")
    for what, seen in (("role", [m.role for m in meters]), ("port", [m.port for m in meters if m.port])):
        twice = {word for word in seen if seen.count(word) > 1}
        if twice:
            raise MeterSpecError(
                f"The {what} {twice.pop()!r} was given twice.", remedy=f"Each meter has its own {what}."
            )
    return meters


def unproved_links(meters: Iterable[BenchMeter]) -> list[BenchMeter]:
    """Meters whose lead may tie the radio's chassis to the computer."""
    return [meter for meter in meters if meter.isolation in (Isolation.NONE, Isolation.UNKNOWN)]


#: What a meter and its leads must be fit for on a set of that mains voltage. Source: IEC 61010-2-030: CAT II for
#: circuits that a plug connects; the rating is the voltage to earth.
def category_warning(meter: BenchMeter, nominal_mains: str) -> str | None:
    """One line if a meter's measurement category is less than the set wants, or not known."""
    if meter.isolation is Isolation.NO_LINK and not meter.profile.meter.category:
        return None
    try:
        need = 300.0 if nominal_mains and parse(nominal_mains, "V") <= 150 else 600.0
    except UnitError:
        need = 600.0
    category = meter.profile.meter.category
    wanted = f"CAT II {need:.0f} V"
    if not category:
        return f"Meter '{meter.role}': its measurement category is not known; this set wants {wanted} or better."
    words = category.upper().replace("CAT", " CAT ").split()
    grade = next((len(w) if w != "IV" else 4 for w in words if w in ("I", "II", "III", "IV")), 0)
    volts = max((float(w) for w in words if w.replace(".", "").isdigit()), default=0.0)
    if grade < 2 or volts < need:
        return f"Meter '{meter.role}' is {category}; this set wants {wanted} or better, meter and leads alike."
    return None
