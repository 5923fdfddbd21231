"""The judge on simulated radios whose truth is known: no false all-clear, few false alarms, the right kind of chassis.

The generator (tests/simulated*.py) models circuits, meters and sittings without the judging code. 500 radios here;
`python -m tests.bench_simulated` takes 20,000.
"""

from __future__ import annotations

import shutil
import tempfile
from collections import Counter
from pathlib import Path

from analysis.assess import assess
from analysis.finding import Level
from analysis.table import load_radio
from tests.simulated import simulate
from tests.simulated_files import write_benchbook
from tests.simulated_truth import judge_truth

#: What came out, counted. `unseen`: by the rules no row tells, since the probe hung in the air in all hazardous states
#: and nobody looked for contact, or the chain failed after its proof and was not proved again. The guided plan does
#: both; of other sittings the statement has to say what was not read.
Tally = Counter[str]


def judge_one(seed: int, folder: Path) -> Tally:
    """Judge one simulated radio; what came out, counted."""
    radio = simulate(seed)
    expected = judge_truth(radio)
    home = write_benchbook(radio, folder / str(seed))
    found = assess(load_radio(home))
    shutil.rmtree(folder / str(seed))
    tally: Tally = Counter()
    for name, truth in expected.points.items():
        finding = found.of(f"touch-voltage:{name}")
        assert finding is not None
        tally["points"] += 1
        hazardous = bool(truth.hazards) and finding.level is Level.WITHIN
        tally["within though hazardous"] += hazardous and not truth.unseen
        told = _told(finding.statement)
        tally["within though hazardous, unseen and untold"] += hazardous and truth.unseen and not told
        tally["within though hazardous, unseen but told"] += hazardous and truth.unseen and told
        tally["within on lacking evidence"] += finding.level is Level.WITHIN and bool(truth.evidence_lacking)
        if truth.clear and not truth.evidence_lacking:
            tally["clear"] += 1
            tally["false alarm"] += finding.level in (Level.CAUTION, Level.DANGER)
        if finding.level is Level.UNDECIDED and not truth.undecided_is_right and not truth.hazards:
            tally["undecided though nothing lacked"] += 1
    kind = found.of("chassis-kind")
    assert kind is not None
    hazards = [truth for truth in expected.points.values() if truth.hazards]
    if kind.extra["kind"] == "isolated" and hazards:
        told = all(truth.unseen for truth in hazards) and _told(kind.statement)
        tally[f"isolated though hazardous{', unseen but told' if told else ''}"] += 1
    if expected.kind_due:
        tally["kind due"] += 1
        right = kind.extra["kind"] in expected.kinds and expected.pin in (None, kind.extra["pin"])
        tally["kind right"] += right
    return tally


def _told(statement: str) -> bool:
    return "touched it was not read" in statement or "chain was not proved again" in statement


def judge_many(seeds: range) -> Tally:
    """Judge many, one after the other."""
    total: Tally = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            total += judge_one(seed, Path(folder))
    return total


def test_no_false_all_clear_few_false_alarms_and_the_right_kind() -> None:
    total = judge_many(range(500))

    assert total["points"] > 1000 and total["clear"] > 100 and total["kind due"] > 100  # enough to mean something
    assert total["within though hazardous"] == 0
    assert total["within though hazardous, unseen and untold"] == 0
    assert total["within on lacking evidence"] == 0
    assert total["isolated though hazardous"] == 0
    assert total["false alarm"] <= 0.01 * total["clear"]
    assert total["undecided though nothing lacked"] == 0
    assert total["kind right"] >= 0.98 * total["kind due"]
