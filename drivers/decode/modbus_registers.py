"""Words of a Modbus register map become readings; what carries the words is not known here."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from decimal import Decimal

from drivers.decode.showing import Fit, no_fit
from drivers.decode.tables import Modbus, Register
from drivers.reading import UNITS, Reading, Status

#: Registers that a value of each kind takes.
WORDS = {"u16": 1, "u32-low-first": 2, "u32-high-first": 2, "f32-high-first": 2, "f32-low-first": 2}


def spans(table: Modbus) -> list[tuple[int, int]]:
    """Requests that fetch the map: (first address, number of registers), neighbours joined, 100 registers at most."""
    out: list[tuple[int, int]] = []
    for first, count in sorted((r.address, WORDS[r.kind]) for r in table.registers):
        if out and first + count - out[-1][0] <= 100 and first - sum(out[-1]) <= 8:
            out[-1] = (out[-1][0], max(sum(out[-1]), first + count) - out[-1][0])
        else:
            out.append((first, count))
    return out


def readings(
    table: Modbus, words: Sequence[int], elapsed: float, *, start: int = 0, fit: Fit = no_fit
) -> list[Reading]:
    """The readings of those registers of the map that `words`, the input registers from address `start`, hold."""
    out = []
    for register in table.registers:
        first = register.address - start
        part = words[first : first + WORDS[register.kind]] if first >= 0 else ()
        if len(part) == WORDS[register.kind]:
            out.append(_reading(register, part, elapsed, fit))
    return out


def _reading(register: Register, words: Sequence[int], elapsed: float, fit: Fit) -> Reading:
    unit = UNITS[register.quantity]
    value, step = _value(register, words)
    if value is None:
        return Reading(elapsed=elapsed, quantity=register.quantity, status=Status.INVALID, unit=unit,
                       coupling=register.coupling, resolution=step, channel=register.channel)  # fmt: skip
    found = fit(register.quantity, register.coupling, None, step)
    return Reading(elapsed=elapsed, quantity=register.quantity, status=Status.OK, unit=unit, value=value,
                   coupling=register.coupling, u=found[0] * abs(value) + found[1] if found else None, resolution=step,
                   channel=register.channel)  # fmt: skip


def _value(register: Register, words: Sequence[int]) -> tuple[float | None, float | None]:
    """Value and count; no value for a float that is no number."""
    ordered = [word & 0xFFFF for word in (words if "high-first" in register.kind else reversed(words))]
    if register.kind.startswith("f32"):
        (number,) = struct.unpack(">f", struct.pack(">HH", *ordered))
        value = float(number) * register.scale
        return (value if math.isfinite(value) else None), None
    whole = ordered[0] if len(ordered) == 1 else ordered[0] << 16 | ordered[1]
    # 2301 * 0.1 is 230.10000000000002: the decimal product is what the meter shows.
    return float(whole * Decimal(str(register.scale))), register.scale


def encode(register: Register, value: float) -> list[int]:
    """The words that hold a value. Raises: ValueError: it does not fit into the register."""
    if register.kind.startswith("f32"):
        ordered = list(struct.unpack(">HH", struct.pack(">f", value / register.scale)))
    else:
        whole = round(value / register.scale)
        if not 0 <= whole < 1 << 16 * WORDS[register.kind]:
            raise ValueError(f"{value} does not fit into {register.kind} of {register.scale}")
        ordered = [whole] if WORDS[register.kind] == 1 else [whole >> 16, whole & 0xFFFF]
    return ordered if "high-first" in register.kind else ordered[::-1]
