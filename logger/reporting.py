"""Reports on disk: what analysis returns is written into the radio's report folder."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.reading import BenchError
from logger.session import write_whole

if TYPE_CHECKING:
    from analysis.assessment import Assessment
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
) -> list[Path]:
    """Judge a radio and write its report, HTML first. Raises: ReportError, ReportCallError, TableError, CardError."""
    from analysis.assess import assess
    from analysis.table import load_radio

    if paper not in ("a4", "letter"):
        raise ReportCallError(f"{paper!r} is no paper.", remedy="Write a4 or letter.")
    if since and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", since):
        raise ReportCallError(f"{since!r} is no date.", remedy="Write it as 2026-01-31.")
    radio = load_radio(radio_folder, times=False)
    return render(
        radio, assess(radio), radio_folder / "report", since=since, pdf=pdf, card=card, paper=paper, compare=compare
    )  # fmt: skip


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
        comparisons=all_comparisons(radio, earlier=compare),
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
