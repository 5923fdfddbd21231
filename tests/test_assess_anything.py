"""Whatever stands in a session's files, it is assessed or refused in one line."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.assess import assess
from analysis.aux_findings import aux_findings
from analysis.coded import coded
from analysis.finding import Level
from analysis.table import load_radio, load_session
from drivers.reading import BenchError
from tests.sessions import METER, SessionWriter, write_card
from tests.test_aux_findings import card, meter, secondary, written

QUANTITIES = ("voltage", "current", "resistance", "temperature", "frequency")
TAGS: dict[str, tuple[str, ...]] = {
    "point": ("secondary", "rail-positive", "rail-negative", "winding-primary", "air", "speaker", "mains", "mains-line",
              "mains-neutral", "chassis", "pin-1-to-chassis", "barrier", "", "=1+1", "ärial"),
    "plug": ("", "1", "2", "x"), "switch": ("", "on", "off"),
    "burden": ("", "100 kohm", "0.1 Mohm", "-3 ohm", "none", "w"),
    "load": ("", "none", "idle", "loudest", "cold", "hot", "radio-programme", "board-programme", "100 ohm", "0 ohm"),
    "arrangement": ("", "A", "B", "C"),
}  # fmt: skip
NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([0.0, 1.0, -1.0, 1e-300, 1e300, 120.0, 9.0, 0.1]),
    st.floats(0.001, 300.0),
)  # fmt: skip


@st.composite
def sittings(draw: st.DrawFn) -> SessionWriter:
    """Stretches of readings with any values, units and tags, in any order, some of them taken."""
    sitting = SessionWriter()
    for _ in range(draw(st.integers(0, 14))):
        value = draw(NUMBERS)
        count, spread = draw(st.integers(1, 6)), draw(st.sampled_from([0.0, 0.0, 0.001, 0.5]))
        values: list[float | None] = [value * (1 + spread * k) for k in range(count)]
        if draw(st.integers(0, 5)) == 0:
            values[draw(st.integers(0, count - 1))] = None
        finite = [v if v is None or np.isfinite(v) else None for v in values]
        quantity = draw(st.sampled_from(QUANTITIES))
        rows = sitting.read(
            finite, quantity=quantity, coupling=draw(st.sampled_from(["ac", "dc", "acdc", ""])),
            meter=draw(st.sampled_from(["v", "i", "x"])), u=draw(st.sampled_from([None, 0.01, 0.0, 1e200])),
            resolution=draw(st.sampled_from([None, 0.1, 0.0, -1.0])),
            **{tag: draw(st.sampled_from(words)) for tag, words in TAGS.items()},
        )  # fmt: skip
        if draw(st.integers(0, 3)) == 0:
            sitting.take(rows, draw(st.one_of(st.none(), NUMBERS)), quantity=quantity)
    for row in sitting.rows:
        row["status"] = draw(st.sampled_from([row["status"]] * 8 + ["held", "invalid", "ok"]))
        row["unit"] = draw(st.sampled_from([row["unit"]] * 8 + ["mV", ""]))
    return sitting


METERS: tuple[dict[str, Any], ...] = (
    METER, {**METER, "role": "i", "rms": "average", "burden_voltage_V": 0.3}, {"role": "x", "rms": 5, "accuracy": [{}]},
)  # fmt: skip
CARDS = (card(), card(topology="bridge", mains="230 V"), card(topology="doubler", reservoir="1 pF", rating="0.001 VA"),
         card(topology="centre-tap", reservoir="100 F"),
         'schema = 1\nid = "set-5"\npoints = ["chassis"]\n')  # fmt: skip


@given(sitting=sittings(), text=st.sampled_from(CARDS), fed=st.sampled_from(["mains", "variac", None]))
@settings(max_examples=120, deadline=None)
def test_any_session_is_assessed_or_refused_in_one_line(sitting: SessionWriter, text: str, fed: str | None) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = write_card(Path(place) / "set-5", text)
        sitting.write(folder / "20260302T142501Z-any", meters=METERS, statements={"fed_from": fed})
        try:
            found = assess(load_radio(folder))
        except BenchError as exc:
            assert "\n" not in str(exc)
            return
    json.dumps(found.to_json())
    for finding in found.findings:
        assert finding.statement and finding.title
        if finding.level is Level.UNDECIDED and not finding.id.startswith(("touch-", "chassis-")):
            assert finding.missing, finding.id
    assert len({finding.id for finding in found.findings}) == len(found.findings)


@given(
    volts=st.lists(st.floats(0.01, 60.0), min_size=2, max_size=2), amps=st.floats(1e-5, 5.0),
    topology=st.sampled_from(["half-wave", "centre-tap", "bridge", "dual-half-wave", "doubler"]),
    rms=st.sampled_from(["true", "average", ""]), coupling=st.sampled_from(["ac", "acdc", ""]),
    reservoir=st.sampled_from(["1 uF", "1000 uF", "10 F"]), load=st.sampled_from(["loudest", "100 ohm", "0.01 ohm"]),
)  # fmt: skip
@example(volts=[5.0, 4.0], amps=1.0, topology="half-wave", rms="true", coupling="ac", reservoir="1 uF", load="loudest")
@settings(max_examples=60, deadline=None)
def test_any_secondary_is_sized_or_said_to_be_nonsense(
    volts: list[float], amps: float, topology: str, rms: str, coupling: str, reservoir: str, load: str
) -> None:
    sitting = SessionWriter()
    secondary(sitting, {load: amps}, {"none": volts[0], load: volts[1]})
    text = card(topology=topology, reservoir=reservoir)
    with tempfile.TemporaryDirectory() as place:
        found = assess(written(Path(place), sitting, text, [meter(rms=rms, coupling=coupling)]))
    rating = found.of("supply-rating")
    assert rating is not None
    if volts[1] >= volts[0] or load != "loudest":
        assert rating.level is not Level.WITHIN


@given(sitting=sittings())
@settings(max_examples=60, deadline=None)
def test_every_row_is_in_one_group_and_keeps_its_place(sitting: SessionWriter) -> None:
    with tempfile.TemporaryDirectory() as place:
        session = load_session(sitting.write(Path(place) / "s", meters=METERS))
    if not len(session.readings):
        return
    table = coded(session)
    rows = np.concatenate([group.rows for group in table.groups])
    assert sorted(rows.tolist()) == list(range(len(session.readings)))
    for at, group in enumerate(table.groups):
        own = session.readings.frame.iloc[group.rows]
        assert all((own[name] == text).all() for name, text in group.texts.items())
        np.testing.assert_array_equal(table.columns([at]).elapsed, own["elapsed_s"].to_numpy())
    whole = table.columns(range(len(table.groups)))
    np.testing.assert_array_equal(whole.elapsed, session.readings.frame["elapsed_s"].to_numpy())


def test_two_meters_in_turn_are_told_apart_row_by_row(tmp_path: Path) -> None:
    """A hundred readings each, one after the other: a run is one row long."""
    sitting = SessionWriter()
    for number in range(100):
        sitting.read([10.5 + (number % 2) * 0.001], meter="v", point="secondary", load="none")
        sitting.read([0.1], meter="i", quantity="current", point="secondary", load="loudest")
    folder = write_card(tmp_path / "set-5", card())
    sitting.write(folder / "20260302T142501Z-turn", meters=METERS)
    radio = load_radio(folder)

    groups = coded(radio.sessions[0]).groups

    assert [len(group.rows) for group in groups] == [100, 100]
    assert {finding.id for finding in aux_findings(radio)} >= {"supply-rating"}


def test_times_can_be_left_out_and_nothing_is_judged_by_them(tmp_path: Path) -> None:
    sitting = SessionWriter()
    sitting.read([118.4] * 5, point="chassis", plug="1", switch="on")
    folder = write_card(tmp_path / "set-5", card())
    sitting.write(folder / "20260302T142501Z-times", meters=METERS)

    with_times, without = load_radio(folder), load_radio(folder, times=False)

    assert "time" in with_times.sessions[0].readings.frame and "time" not in without.sessions[0].readings.frame
    assert assess(with_times).to_json() == assess(without).to_json()


@pytest.mark.parametrize("times", [True, False])
def test_a_row_with_a_comma_too_many_is_refused_since_its_tags_stand_one_cell_further(
    times: bool, tmp_path: Path
) -> None:
    sitting = SessionWriter()
    sitting.read([1.0] * 3, point="chassis", plug="1", switch="on")
    folder = sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a")
    rows = (folder / "readings.csv").read_bytes()
    (folder / "readings.csv").write_bytes(rows.replace(b",chassis,", b",left,chassis,", 1))

    with pytest.raises(BenchError, match=r"cannot be read"):
        load_session(folder, times=times)


def test_an_id_that_stands_for_two_takes_is_remarked_on(tmp_path: Path) -> None:
    sitting = SessionWriter()
    for plug in ("1", "2"):
        sitting.takes = 6
        sitting.take(sitting.read([1.0] * 3, point="chassis", plug=plug, switch="on"), 1.0)
    session = load_session(sitting.write(write_card(tmp_path / "set-5") / "20260302T142501Z-a"))

    assert [take.id for take in session.takes] == [7] and "take 7 stands for several" in session.remarks[0]
