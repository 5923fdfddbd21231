"""The demo: shipped wire logs, through the decoders and recorder of a real meter, into findings and reports."""

from __future__ import annotations

import shutil
import tomllib
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

import msgspec

from analysis.assess import assess
from analysis.assessment import Assessment
from analysis.table import load_radio
from drivers.reading import BenchError
from logger.benchmeter import meter_of
from logger.radio import Benchbook
from logger.reporting import render
from logger.sitting import Plan, Sitting

MARKER = ".chassislog-demo"


class DemoError(BenchError):
    """The demo cannot be written there."""


class DemoFileError(DemoError):
    """A file or folder that the disk does not give or take."""


class _TagChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    at: float
    point: str = ""
    plug: str = ""
    switch: str = ""
    load: str = ""
    burden: str = ""
    arrangement: str = ""


class _DemoMeter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    role: str
    profile: str


class _DemoSitting(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    schema: int
    name: str
    start: str
    stage: str
    meters: tuple[_DemoMeter, ...]
    tags: tuple[_TagChange, ...]
    fed_from: str = "mains"
    end: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRadio:
    """What the demo found about one radio."""

    id: str
    title: str
    assessment: Assessment
    report: Path

    def to_json(self) -> dict[str, Any]:
        """For `demo --json`."""
        return {
            "radio": self.id, "level": str(self.assessment.level), "report": str(self.report),
            "findings": [
                {"id": f.id, "level": str(f.level), "title": f.title} for f in self.assessment.findings
            ],
        }  # fmt: skip


def run_demo(out: Path) -> list[DemoRadio]:
    """Play both radios into a benchbook at `out`. Raises: DemoError: a folder that the demo did not make."""
    _clear(out)
    book = Benchbook(out)
    made = []
    with resources.as_file(resources.files("logger") / "demo") as folder:
        burdens = folder / "burdens.toml"
        if burdens.is_file():
            shutil.copyfile(burdens, out / "burdens.toml")
        for radio in sorted(path for path in folder.iterdir() if (path / "radio.toml").is_file()):
            (out / radio.name).mkdir()
            if (radio / "burdens.toml").is_file():  # both radios met the same box
                shutil.copyfile(radio / "burdens.toml", out / "burdens.toml")
            shutil.copyfile(radio / "radio.toml", out / radio.name / "radio.toml")
            for sitting in sorted(path for path in radio.iterdir() if (path / "wire.csv").is_file()):
                _play(book, radio.name, sitting)
            made.append(_write_up(out / radio.name))
    return made


def _clear(out: Path) -> None:
    try:
        if out.exists():
            if not out.is_dir() or (any(out.iterdir()) and not (out / MARKER).is_file()):
                raise DemoError(
                    f"{out} is there already and was not made by the demo.", remedy="Name another with --out."
                )
            shutil.rmtree(out)
        out.mkdir(parents=True)
        (out / MARKER).write_text(
            "This folder was made by 'chassislog demo', which deletes it and makes it anew.\n", "utf-8"
        )
    except OSError as exc:
        raise DemoFileError(f"{out} cannot be written: {exc.strerror or exc}.") from exc


def _play(book: Benchbook, radio: str, folder: Path) -> None:
    """One constructed wire log, as a sitting."""
    told = msgspec.convert(tomllib.loads((folder / "sitting.toml").read_text("utf-8")), _DemoSitting)
    path = quote(str((folder / "wire.csv").resolve()).replace("\\", "/"), safe="/:")
    meters = [
        meter_of(f"{meter.role}={meter.profile}@replay://{path}?meter={quote(meter.role)}&speed=0")
        for meter in told.meters
    ]
    schedule = [
        (change.at, {name: text for name, text in msgspec.structs.asdict(change).items() if name != "at" and text})
        for change in told.tags
    ]
    plan = Plan(
        radio=radio, meters=meters, schedule=schedule, stage=told.stage, fed_from=told.fed_from, name=told.name,
        start=datetime.fromisoformat(told.start),
    )  # fmt: skip
    Sitting(book, plan).run()


def _write_up(folder: Path) -> DemoRadio:
    radio = load_radio(folder)
    found = assess(radio)
    files = render(radio, found, folder / "report", since="", pdf=True, card=True, paper="a4")
    return DemoRadio(id=radio.card.id, title=radio.card.title, assessment=found, report=files[0])
