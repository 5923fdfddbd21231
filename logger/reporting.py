"""Reports on disk: what analysis returns is written into the radio's report folder."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from datetime import date
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.reading import BenchError
from logger.session import write_whole

if TYPE_CHECKING:
    from analysis.assessment import Assessment
    from analysis.meterinfo import AccuracyLine
    from analysis.report.sources import Beside
    from analysis.table import Radio


class ReportError(BenchError):
    """A report that cannot be written."""


class ReportCallError(BenchError):
    """A report that was asked for wrongly."""


def write_report(
    radio_folder: Path,
    *,
    since: str = "",
    pdf: bool = False,
    card: bool = False,
    paper: str = "a4",
    compare: bool = False,
    told: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Judge a radio and write its report, HTML first; `told` is called with what a person should know of it.

    Raises: ReportError, ReportCallError, TableError, CardError.
    """
    from analysis.assess import assess
    from analysis.table import load_radio

    if paper not in ("a4", "letter"):
        raise ReportCallError(f"{paper!r} is no paper.", remedy="Write a4 or letter.")
    if since:
        _check_date(since)
    radio = load_radio(radio_folder, times=False)
    if since and all(session.start[:10] < since for session in radio.sessions):
        last = f"; the last began on {radio.sessions[-1].start[:10]}" if radio.sessions else ""
        told(f"No session is from {since} or later{last}. The judgement rests on all of the latest stage.")
    return render(
        radio, assess(radio), radio_folder / "report", since=since, pdf=pdf, card=card, paper=paper, compare=compare
    )  # fmt: skip


def _check_date(text: str) -> None:
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
            date.fromisoformat(text)
            return
    except ValueError as exc:
        raise ReportCallError(f"{text!r} is no day of the calendar.", remedy="Write it as 2026-01-31.") from exc
    raise ReportCallError(f"{text!r} is no date.", remedy="Write it as 2026-01-31.")


def render(
    radio: Radio, assessment: Assessment, folder: Path, *, since: str, pdf: bool, card: bool, paper: str,
    compare: bool = False,
) -> list[Path]:  # fmt: skip
    """Write the files of one report; `compare`: with comparisons of earlier stages. Raises: ReportError."""
    from analysis.comparing import all_comparisons
    from analysis.report.content import build_content
    from analysis.report.html import render_card_html, render_html
    from analysis.supply_evidence import supply_evidence

    supply = supply_evidence(radio)
    content = build_content(
        radio, assessment, since=since or None, supply=supply.figures.to_json() if supply.read else None,
        comparisons=all_comparisons(radio, earlier=compare), beside=_beside(radio, folder.parent),
    )  # fmt: skip
    made: list[tuple[str, str | bytes]] = [("report.html", render_html(content))]
    if card:
        made.append(("card.html", render_card_html(content)))
    if pdf:
        from analysis.report.pdf import render_card_pdf, render_pdf

        made.append(("report.pdf", render_pdf(content, paper)))
        if card:
            made.append(("card.pdf", render_card_pdf(content, paper)))
    paths = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in made:
            path = folder / name
            if isinstance(data, str):
                write_whole(path, data)
            else:
                path.write_bytes(data)
            paths.append(path)
    except OSError as exc:
        raise ReportError(f"The report cannot be written: {exc.strerror or exc}.", f"{folder}.") from exc
    return paths


def _beside(radio: Radio, home: Path) -> Beside:
    """Hashes of what the figures rest on beside the sittings' readings, and where accuracy lines are from."""
    from analysis.report.sources import Beside

    limits = resources.files("analysis") / "limits.toml"
    files = [
        _hashed(home / "radio.toml", "radio.toml"),
        _hashed(home.parent / "burdens.toml", "burdens.toml"),
        _described("limits.toml of the program", limits.read_bytes()),
    ]
    descriptors = {s.name: _hashed(home / s.name / "datapackage.json", "datapackage.json") for s in radio.sessions}
    return Beside(
        files=tuple(entry for entry in files if entry),
        descriptors={name: entry for name, entry in descriptors.items() if entry}, lines=_line_sources(radio),
    )  # fmt: skip


def _hashed(path: Path, name: str) -> dict[str, Any]:
    """A file as a descriptor lists one; nothing where there is none to be read."""
    try:
        return _described(name, path.read_bytes())
    except OSError:
        return {}


def _described(name: str, data: bytes) -> dict[str, Any]:
    return {"path": name, "bytes": len(data), "hash": f"sha256:{hashlib.sha256(data).hexdigest()}"}


def _line_sources(radio: Radio) -> dict[tuple[str, AccuracyLine], str]:
    """Where the profiles have those accuracy lines from that the sittings used; a line changed since has no source."""
    from analysis.meterinfo import AccuracyLine
    from drivers.accuracy import line_of
    from drivers.profile import ProfileError, load

    found: dict[tuple[str, AccuracyLine], str] = {}
    named = {meter.profile for session in radio.sessions for meter in session.meters.values()}
    for name in sorted(name for name in named if not name.endswith(".toml")):  # a record names no file to open
        try:
            entries = load(name).accuracy
        except ProfileError:
            continue  # a profile of another bench
        for entry in entries:
            line = line_of(entry)
            key = AccuracyLine(
                quantity=str(line.quantity), coupling=str(line.coupling), range=line.range,
                of_reading=line.of_reading, digits=line.digits, resolution=line.count,
            )  # fmt: skip
            found[name, key] = entry.source
    return found
