"""A meter profile: TOML in, checked, a frozen object out.

A profile is all that the program knows of a meter family: port settings, framing, polling, decoding, accuracy, input
and the isolation of the data link. Quantities are text with units; they are parsed when the profile is loaded, so a
wrong one is refused with the file and the key.
"""

from __future__ import annotations

import re
import tomllib
from enum import StrEnum
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

import msgspec

from drivers.decode.tables import (
    AsciiStatus,
    Decode,
    Field,
    Modbus,
    Numbered,
    Packed,
    PackedFunction,
    Part,
    PolledText,
    Register,
    Scpi,
    Stream16,
    TextLine,
    Typed,
)
from drivers.profile_checks import faults
from drivers.reading import BenchError, Coupling, Quantity, in_plain_words, reason_of

__all__ = [
    "Accuracy", "AsciiStatus", "Decode", "Field", "Input", "Isolation", "Modbus", "Numbered", "Packed",
    "PackedFunction", "Poll", "PolledText", "PortSettings", "Profile", "ProfileError", "Register", "Scpi", "Stream16",
    "TextLine", "Trust", "Typed", "keys_at", "load", "names", "read_profile", "shipped", "user_folder",
]  # fmt: skip


class ProfileError(BenchError):
    """A profile that is missing, or that says something it cannot."""


class Isolation(StrEnum):
    """What stands between the meter's terminals and the computer."""

    OPTICAL = "optical"
    ISOLATED = "isolated"
    NONE = "none"
    UNKNOWN = "unknown"
    NO_LINK = "no-link"


class PortSettings(Part, frozen=True, kw_only=True):
    """[port]: line settings, and the state of the handshake lines, which may power an optical lead."""

    baud: int = 9600
    bytesize: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1
    dtr: bool = True
    rts: bool = True
    rtscts: bool = False
    xonxoff: bool = False
    settle_ms: int = 0  #: what arrives in this time after opening is dropped: lines toggle, boards reset
    silence: str = "5 s"  #: a meter that sends nothing for so long is said to be silent


class Poll(Part, frozen=True, kw_only=True):
    """[poll]: a meter that answers only when asked. Never a second request before the answer or the timeout."""

    request: str = ""  #: text sent for one reading, with escapes such as \\n
    interval: str = "0 s"  #: from one request to the next, at least
    timeout: str = "2 s"  #: then it is asked again


class Input(Part, frozen=True, kw_only=True):
    """[[input]]: what the meter puts across the circuit for one quantity and coupling."""

    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    resistance: str
    capacitance: str = ""
    note: str = ""
    source: str = ""


class Accuracy(Part, frozen=True, kw_only=True):
    """[[accuracy]]: one line of a data sheet, ±(of_reading · |x| + digits · resolution + of_range · full scale)."""

    quantity: Quantity
    coupling: Coupling = Coupling.NONE
    range: str = ""  #: full scale that the line holds for; empty: every range
    of_reading: float = 0.0  #: fraction
    digits: float = 0.0  #: counts
    of_range: float = 0.0  #: fraction of full scale
    frequency_min: str = ""
    frequency_max: str = ""
    resolution: str = ""  #: one count, where the wire does not tell
    source: str = ""


class Trust(Part, frozen=True, kw_only=True):
    """[meter]: what the readings can be trusted for."""

    rms: Literal["true", "average"] = "true"
    current_coupling: Literal["ac", "acdc"] = "ac"
    category: str = ""  #: measurement category of meter and leads together, e.g. "CAT II 600 V"
    calibrated: str = ""  #: date of the last calibration, YYYY-MM-DD
    calibration_interval_days: int = 365
    temperature_min: str = "18 degC"  #: the accuracy lines hold between these
    temperature_max: str = "28 degC"
    temperature_adder: float = 0.0  #: of each line's half width, per kelvin outside
    age_adder: float = 0.0  #: of each line's half width, per year beyond the calibration interval
    burden_voltage: str = ""  #: drop at full scale of the current range


class Profile(Part, frozen=True, kw_only=True):
    """What the program knows of a meter family."""

    schema: int
    title: str
    decode: Decode
    source: str = ""  #: where the facts are from
    unconfirmed: tuple[str, ...] = ()  #: facts that no maker's or standard's text confirms
    isolation: Isolation = Isolation.UNKNOWN
    port: PortSettings = PortSettings()
    poll: Poll = Poll()
    meter: Trust = Trust()
    input: tuple[Input, ...] = ()
    accuracy: tuple[Accuracy, ...] = ()
    name: str = ""  #: taken from the file's name

    def input_of(self, quantity: Quantity, coupling: Coupling) -> Input | None:
        """The input entry for a quantity and coupling: the exact one, else one without coupling."""
        exact = [entry for entry in self.input if entry.quantity == quantity and entry.coupling == coupling]
        loose = [entry for entry in self.input if entry.quantity == quantity and entry.coupling is Coupling.NONE]
        return next(iter(exact + loose), None)


def read_profile(text: str, name: str, where: str) -> Profile:
    """A profile from TOML text. Raises: ProfileError: with file, key and what was expected."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as exc:  # also a number of thousands of digits, or brackets without end
        raise ProfileError(f"Not valid TOML: {exc}.", f"{where}.", "Put it right at the place named.") from exc
    try:
        profile = msgspec.convert(data, Profile)
    except (msgspec.ValidationError, RecursionError) as exc:
        raise _not_a_profile(str(exc), data, where) from exc
    if profile.schema != 1:
        raise ProfileError(
            f"Schema {profile.schema} is not known.", f"{where}, key schema.", "This program reads schema 1."
        )
    for fault in faults(profile):
        raise ProfileError(fault.what, f"{where}, key {fault.key}.", fault.remedy)
    return msgspec.structs.replace(profile, name=name)


_TABLES: dict[str, type[msgspec.Struct]] = {
    "": Profile, "port": PortSettings, "poll": Poll, "meter": Trust, "input": Input, "accuracy": Accuracy,
    "decode.channels": Field, "decode.functions": PackedFunction, "decode.registers": Register,
}  # fmt: skip
_FAMILIES: tuple[type[msgspec.Struct], ...] = (
    AsciiStatus, Modbus, Numbered, Packed, PolledText, Scpi, Stream16, TextLine, Typed,
)  # fmt: skip

_ENUMS: dict[str, type[StrEnum]] = {"quantity": Quantity, "coupling": Coupling, "isolation": Isolation}


def keys_at(place: str, family: object) -> list[str]:
    """The keys that a table of a profile may have; `place` such as "", "port" or "decode.channels"."""
    if place == "decode":
        found = [table for table in _FAMILIES if table.__struct_config__.tag == family]
        return ["family", *(name for table in found for name in table.__struct_fields__)]
    return list(_TABLES[place].__struct_fields__) if place in _TABLES else []


def _not_a_profile(message: str, data: dict[str, object], where: str) -> ProfileError:
    """What msgspec found, as file, key and what was expected."""
    what, _, key = message.partition(" - at ")
    key = key.strip("`").removeprefix("$").lstrip(".")
    decode = data.get("decode")
    family = decode.get("family") if isinstance(decode, dict) else None
    allowed = keys_at(re.sub(r"\[[^]]*\]", "", key), family)
    remedy = f"Keys there are {', '.join(allowed)}." if allowed else "See 'chassislog meters show' for the keys."
    if match := re.fullmatch(r"Object contains unknown field `(.*)`", what):
        key = f"{key}.{match[1]}".lstrip(".")
        what = f"There is no key {match[1]!r}"
    elif match := re.fullmatch(r"Object missing required field `(.*)`", what):
        key = f"{key}.{match[1]}".lstrip(".")
        what = f"The key {match[1]!r} is missing"
    elif key == "decode.family":
        what = f"There is no family {family!r}"
        remedy = f"Families are {', '.join(str(table.__struct_config__.tag) for table in _FAMILIES)}."
    elif (words := _ENUMS.get(key.rpartition(".")[2])) and what.startswith("Invalid enum"):
        remedy = f"Expected one of {', '.join(repr(str(word)) for word in words)}."
    elif not allowed:
        remedy = in_plain_words(what)[0]
        what = "The value is of the wrong type"
    else:
        what = in_plain_words(what)[0].removesuffix(".")
    return ProfileError(f"{what}.", f"{where}, key {key or 'at the top level'}.", remedy)


def user_folder() -> Path:
    """Where a user's own profiles are; they stand before the shipped ones."""
    from platformdirs import user_config_path

    return user_config_path("chassislog", appauthor=False) / "profiles"


@cache
def shipped() -> dict[str, str]:
    """Shipped profiles, name to TOML text."""
    folder = resources.files("drivers") / "profiles"
    return {
        entry.name.removesuffix(".toml"): entry.read_text("utf-8")
        for entry in sorted(folder.iterdir(), key=lambda e: e.name)
        if entry.name.endswith(".toml")
    }


def names(own: Path | None = None) -> dict[str, str]:
    """Every profile's name and where it came from ('shipped' or the user's file)."""
    found = dict.fromkeys(shipped(), "shipped")
    folder = own or user_folder()
    if folder.is_dir():
        found.update({path.stem: str(path) for path in sorted(folder.glob("*.toml"))})
    return dict(sorted(found.items()))


def load(name: str, own: Path | None = None) -> Profile:
    """The profile of that name, the user's own before a shipped one; or a path to a TOML file.

    Raises: ProfileError: not found (the names that exist are listed), or not valid.
    """
    if name.endswith(".toml"):
        path = Path(name)
        if not path.is_file():
            raise ProfileError(f"There is no profile file {name}.")
        return read_profile(_text(path), path.stem, str(path))
    known = names(own)
    if name not in known:
        raise ProfileError(f"There is no profile named {name!r}.", remedy=f"Known are {', '.join(known)}.")
    if known[name] == "shipped":
        return read_profile(shipped()[name], name, f"shipped profile {name}")
    return read_profile(_text(Path(known[name])), name, known[name])


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        raise ProfileError(f"The profile cannot be read: {reason_of(exc)}.", f"{path}.") from exc
