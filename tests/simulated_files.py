"""Writes a simulated radio as a benchbook folder: a second writer of the format, with the standard library alone."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.simulated_meter import COLUMNS, Row
from tests.simulated_radio import SimulatedRadio, Sitting

EVENT_COLUMNS = ("time", "elapsed_s", "kind", "meter", "detail")
NUMBERS = frozenset({"elapsed_s", "value", "u", "range", "resolution"})
_EPOCH = datetime(2026, 1, 1, tzinfo=UTC)


def stamp(seconds: float) -> str:
    """RFC 3339, UTC, with microseconds."""
    return (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def folder_name(sitting: Sitting) -> str:
    return (_EPOCH + timedelta(seconds=sitting.start)).strftime("%Y%m%dT%H%M%SZ-") + sitting.name


def descriptor(radio: SimulatedRadio, sitting: Sitting) -> dict[str, object]:
    """The descriptor without its resources."""
    found: dict[str, object] = {
        "profile": "tabular-data-package", "name": sitting.name, "radio": radio.card["id"], "stage": sitting.stage,
        "plan": "chassis", "program_version": "0", "start": stamp(sitting.start),
        "statements": {"link_isolated": False, "fed_from": sitting.fed_from},
        "meters": [meter.descriptor() for meter in sitting.meters],
    }  # fmt: skip
    if sitting.closed:
        found["close"] = stamp(sitting.start + sitting.end + 1)
    return found


def tables(radio: SimulatedRadio, *, times: bool = False) -> list[tuple[dict[str, object], list[Row], list[Row]]]:
    """Every session in memory: descriptor, rows of readings, events. `times`: fill the wall-clock column too."""
    found = []
    for sitting in radio.sittings:
        if times:
            for row in (*sitting.rows, *sitting.events):
                row["time"] = stamp(sitting.start + float(str(row["elapsed_s"])))
        found.append((descriptor(radio, sitting), sitting.rows, sitting.events))
    return found


def _cell(column: str, value: object) -> str:
    if value is None or value == "":
        return ""
    if column == "elapsed_s":
        return f"{value:.6f}"
    if column in NUMBERS:
        return f"{value:.9g}"
    text = str(value)
    return f"'{text}" if text[0] in "=+-@\t\r'" else text


def _csv(columns: tuple[str, ...], rows: list[Row]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([[_cell(column, row[column]) for column in columns] for row in rows])
    return out.getvalue().encode()


def _resource(name: str, columns: tuple[str, ...], content: bytes, rows: int) -> dict[str, object]:
    kinds = {"time": "datetime", **dict.fromkeys(NUMBERS, "number")}
    return {
        "name": name, "path": f"{name}.csv", "profile": "tabular-data-resource", "encoding": "utf-8",
        "schema": {"fields": [{"name": c, "type": kinds.get(c, "string")} for c in columns]},
        "bytes": len(content), "hash": f"sha256:{hashlib.sha256(content).hexdigest()}", "rows": rows,
    }  # fmt: skip


def _toml(values: dict[str, object]) -> str:
    """Keys, then tables; JSON's strings, numbers, booleans and lists are TOML's too."""
    plain = [f"{key} = {json.dumps(value)}" for key, value in values.items() if not isinstance(value, dict)]
    inner = [f"\n[{key}]\n{_toml(value)}" for key, value in values.items() if isinstance(value, dict)]
    return "\n".join([*plain, *inner]) + "\n"


def write_benchbook(radio: SimulatedRadio, benchbook: Path) -> Path:
    """The radio's folder in a benchbook, with its burden box; the folder is returned."""
    home = benchbook / str(radio.card["id"])
    home.mkdir(parents=True)
    (home / "radio.toml").write_text(_toml(radio.card), "utf-8")
    box = "".join(
        f'[[burden]]\nvalue = "{b.text}"\ntolerance = "{b.tolerance * 100:g} %"\npower = "{b.power:g} W"\n'
        f'voltage = "{b.voltage:g} V"\n\n'
        for b in radio.burdens
        if b.listed
    )
    (benchbook / "burdens.toml").write_text(box, "utf-8")
    for sitting, (head, rows, events) in zip(radio.sittings, tables(radio, times=True), strict=True):
        folder = home / folder_name(sitting)
        folder.mkdir()
        files = (("readings", COLUMNS, rows), ("events", EVENT_COLUMNS, events))
        resources = []
        for name, columns, content_rows in files:
            content = _csv(columns, content_rows)
            (folder / f"{name}.csv").write_bytes(content)
            resources.append(_resource(name, columns, content, len(content_rows)))
        text = json.dumps({**head, "resources": resources}, indent=1)
        (folder / "datapackage.json").write_text(text, "utf-8")
    return home
