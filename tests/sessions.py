"""Session folders in the program's own format, written with the standard library only, for tests of what reads them."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

COLUMNS = ("time", "elapsed_s", "meter", "quantity", "coupling", "value", "unit", "status", "u", "range", "resolution",
           "flags", "point", "plug", "switch", "load", "burden", "arrangement", "step")  # fmt: skip
UNITS = {"voltage": "V", "current": "A", "resistance": "Ohm", "temperature": "Cel", "frequency": "Hz"}
#: A true-RMS meter of 10 MΩ with an isolated link, as a descriptor tells of it.
METER: dict[str, Any] = {
    "role": "v", "profile": "scpi-bench", "port": "socket://bench", "identity": "Example Bench Meter, 0001, 1.0",
    "inputs": [{"quantity": "voltage", "coupling": "ac", "resistance_ohm": 1e7, "capacitance_F": 1e-10}], "rms": "true",
    "current_coupling": "ac", "isolation": "optical", "category": "CAT II 600 V", "calibrated": "2026-01-10",
    "accuracy": [{"quantity": "voltage", "coupling": "ac", "range": 600.0, "of_reading": 0.009, "digits": 3,
                  "resolution": 0.1}],
}  # fmt: skip


def escape(text: str) -> str:
    """A text cell as the format wants it, so that no spreadsheet runs it."""
    return f"'{text}" if text[:1] and text[0] in "=+-@\t\r'" else text


@dataclass
class SessionWriter:
    """Readings and events of one sitting, gathered, then written to a folder."""

    start: datetime = datetime(2026, 3, 2, 14, 25, 1, tzinfo=UTC)
    interval: float = 0.5  #: between readings [s]
    rows: list[dict[str, str]] = field(default_factory=list)
    events: list[tuple[float, str, str, str]] = field(default_factory=list)
    takes: int = 0
    elapsed: float = 0.0

    def read(
        self, values: Sequence[float | None], *, quantity: str = "voltage", coupling: str = "ac", meter: str = "v",
        u: float | None = None, resolution: float | None = 0.1, status: str = "", **tags: str,
    ) -> range:  # fmt: skip
        """Append readings with the same tags; None is an overload. Returns their row numbers."""
        first = len(self.rows)
        for value in values:
            self.elapsed += self.interval
            self.rows.append({
                "time": (self.start + timedelta(seconds=self.elapsed)).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
                "elapsed_s": f"{self.elapsed:.6f}", "meter": escape(meter), "quantity": quantity, "coupling": coupling,
                "value": "" if value is None else repr(value), "unit": UNITS[quantity],
                "status": status or ("overload" if value is None else "ok"), "u": "" if u is None else repr(u),
                "range": "600", "resolution": "" if resolution is None else repr(resolution), "flags": "",
                **{name: escape(text) for name, text in tags.items()},
            })  # fmt: skip
        return range(first, len(self.rows))

    def take(self, rows: range, value: float | None, *, quantity: str = "voltage", coupling: str = "ac",
             meter: str = "v", supersedes: int | None = None) -> int:  # fmt: skip
        """Append a take of some rows. Returns its id."""
        self.takes += 1
        detail = {"id": self.takes, "step": "", "quantity": quantity, "coupling": coupling, "value": value,
                  "unit": UNITS[quantity], "scatter": 0.1, "rows": f"{rows[0]}-{rows[-1]}"}  # fmt: skip
        if supersedes is not None:
            detail["supersedes"] = supersedes
        text = "; ".join(f"{key}={quote(str(item), safe=' -.,:/')}" for key, item in detail.items() if item is not None)
        self.events.append((self.elapsed, "take", meter, text))
        return self.takes

    def write(
        self, folder: Path, *, radio: str = "set-5", stage: str = "before-fit", plan: str = "", closed: bool = True,
        meters: Sequence[Mapping[str, Any]] = (METER,), statements: Mapping[str, Any] | None = None,
    ) -> Path:  # fmt: skip
        """Write the session's folder; one that is not closed has neither close nor hashes."""
        folder.mkdir(parents=True)
        columns = [*COLUMNS, *sorted({name for row in self.rows for name in row} - set(COLUMNS))]
        with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.DictWriter(file, columns, restval="")
            table.writeheader()
            table.writerows(self.rows)
        with (folder / "events.csv").open("w", encoding="utf-8", newline="") as file:
            lines = csv.writer(file)
            lines.writerow(("time", "elapsed_s", "kind", "meter", "detail"))
            for elapsed, kind, meter, detail in [(0.0, "start", "", ""), *self.events]:
                stamp = (self.start + timedelta(seconds=elapsed)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
                lines.writerow((stamp, f"{elapsed:.6f}", kind, escape(meter), escape(detail)))
        descriptor: dict[str, Any] = {
            "profile": "tabular-data-package", "name": folder.name.lower(), "radio": radio, "stage": stage,
            "plan": plan, "program_version": "0.1.0", "start": self.start.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "statements": dict(statements if statements is not None else {"link_isolated": True, "fed_from": "mains"}),
            "meters": list(meters),
            "resources": [self._resource(folder / name, closed=closed) for name in ("readings.csv", "events.csv")],
        }  # fmt: skip
        if closed:
            end = self.start + timedelta(seconds=self.elapsed + 1)
            descriptor["close"] = end.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        (folder / "datapackage.json").write_text(json.dumps(descriptor, ensure_ascii=False), encoding="utf-8")
        return folder

    def _resource(self, path: Path, *, closed: bool) -> dict[str, Any]:
        data = path.read_bytes()
        count = len(self.rows) if path.name == "readings.csv" else len(self.events) + 1
        known = {"bytes": len(data), "hash": f"sha256:{hashlib.sha256(data).hexdigest()}", "rows": count}
        return {"name": path.stem, "path": path.name, "profile": "tabular-data-resource", **(known if closed else {})}


def write_card(folder: Path, text: str = "") -> Path:
    """A radio's folder with its card; `text` is TOML that stands in place of the usual one."""
    folder.mkdir(parents=True, exist_ok=True)
    usual = (
        'schema = 1\nid = "set-5"\nname = "Set 5"\nnominal_mains = "120 V"\nfrequency = "60 Hz"\nplug = "reversible"\n'
        'switch = "single"\nsupply = "series-heater"\npoints = ["chassis", "pickup-ground", "aerial"]\n'
    )
    (folder / "radio.toml").write_text(text or usual, encoding="utf-8")
    return folder
