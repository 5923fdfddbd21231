"""Profiles: what is shipped can be trusted to say what it knows, and a bad one says what is wrong with it."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest

from drivers.decode.families import build
from drivers.profile import Input, Isolation, Profile, ProfileError, load, names, read_profile, shipped
from drivers.profile_keys import MEANINGS, describe
from drivers.reading import Coupling, Quantity

SHIPPED = ("ascii-status", "modbus-ac", "numbered-lcd", "packed-4", "polled-text", "scpi-bench", "scpi-handheld",
           "stream-16", "text-line", "typed")  # fmt: skip
TYPED = "schema = 1\ntitle = 'x'\n[decode]\nfamily = 'typed'\n"


def test_every_family_has_a_shipped_profile() -> None:
    assert tuple(shipped()) == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_profile_says_where_its_facts_are_from(name: str) -> None:
    profile = load(name)

    assert profile.title and profile.source and profile.name == name
    assert all(line.source for line in profile.accuracy) and all(entry.source for entry in profile.input)
    assert all("own default" in line.source for line in profile.accuracy)
    assert profile.input_of(Quantity.VOLTAGE, Coupling.AC) is not None
    assert profile.unconfirmed or name == "typed"
    if name not in ("modbus-ac", "typed"):
        framer, _ = build(profile)
        assert framer.pending == b""


def test_the_data_links_are_rated_honestly() -> None:
    links = {name: load(name).isolation for name in SHIPPED}

    assert links["typed"] is Isolation.NO_LINK
    assert links["scpi-bench"] is Isolation.UNKNOWN and links["text-line"] is Isolation.NONE
    assert {links[name] for name in ("numbered-lcd", "ascii-status", "polled-text", "packed-4")} == {Isolation.OPTICAL}


def test_a_family_without_frames_says_so() -> None:
    for name in ("typed", "modbus-ac"):
        with pytest.raises(ValueError, match="no frames of its own"):
            build(load(name))


def test_the_input_for_a_coupling_goes_before_the_one_for_any() -> None:
    loose, exact = (Input(quantity=Quantity.VOLTAGE, coupling=c, resistance=r)
                    for c, r in ((Coupling.NONE, "10 Mohm"), (Coupling.AC, "1 Mohm")))  # fmt: skip
    profile = msgspec.structs.replace(load("typed"), input=(loose, exact))

    assert profile.input_of(Quantity.VOLTAGE, Coupling.AC) is exact
    assert profile.input_of(Quantity.VOLTAGE, Coupling.DC) is loose
    assert profile.input_of(Quantity.CURRENT, Coupling.AC) is None


BAD = [
    ("colour = 'red'", "colour", "Keys there are schema, title"),
    ("[port]\nbuad = 9600", "port.buad", "Keys there are baud"),
    ("[port]\nbaud = '9600'", "port.baud", "A whole number has to stand there"),
    ("[port]\nbaud = 1", "port.baud", "Expected 50 to"),
    ("[port]\nparity = 'X'", "port.parity", "X"),
    ("[port]\nsettle_ms = -1", "port.settle_ms", "Expected 0 to"),
    ("[port]\nsilence = '5'", "port.silence", "such as '30 s'"),
    ("[poll]\ninterval = '5 V'", "poll.interval", "such as '30 s'"),
    ("[poll]\ntimeout = '-1 s'", "poll.timeout", "below zero"),
    ("isolation = 'good'", "isolation", "'optical', 'isolated', 'none', 'unknown', 'no-link'"),
    ("[[input]]\nquantity = 'voltage'\nresistance = '10 V'", "input[0].resistance", "ohms"),
    ("[[input]]\nquantity = 'voltage'", "input[0].resistance", "Keys there are quantity"),
    ("[[accuracy]]\nquantity = 'volts'", "accuracy[0].quantity", "'voltage', 'current'"),
    ("[[accuracy]]\nquantity = 'voltage'\nrange = '6 A'", "accuracy[0].range", "volts"),
    ("[[accuracy]]\nquantity = 'voltage'\nof_reading = -0.01", "accuracy[0].of_reading", "0 or more"),
    ("[[accuracy]]\nquantity = 'voltage'\ndigits = nan", "accuracy[0].digits", "0 or more"),
    ("[[accuracy]]\nquantity = 'voltage'\nof_range = inf", "accuracy[0].of_range", "0 or more"),
    ("[meter]\ncalibrated = '31.1.2026'", "meter.calibrated", "YYYY-MM-DD"),
    ("[meter]\nrms = 'yes'", "meter.rms", "yes"),
    ("[meter]\ntemperature_adder = -1.0", "meter.temperature_adder", "0 or more"),
]


@pytest.mark.parametrize(("text", "key", "expected"), BAD)
def test_a_bad_key_is_named_with_the_file_and_what_was_expected(text: str, key: str, expected: str) -> None:
    # A bare key has to stand before the first table.
    whole = TYPED + text if text.startswith("[") else text + "\n" + TYPED
    with pytest.raises(ProfileError) as caught:
        read_profile(whole, "own", "/home/me/own.toml")

    assert f"/home/me/own.toml, key {key}." in caught.value.where
    assert expected in str(caught.value)


DECODE = [
    ("family = 'morse'", "decode.family", "Families are ascii-status"),
    ("family = 'typed'\nspeed = 1", "decode.speed", "Keys there are family"),
    ("family = 'text-line'", "decode.pattern", "Keys there are family, pattern"),
    ("family = 'text-line'\npattern = '('", "decode.pattern", "not a regular expression"),
    ("family = 'text-line'\npattern = 'x'", "decode.pattern", "(?P<value>...)"),
    ("family = 'text-line'\npattern = '(?P<value>x)(?P<ohms>y)'", "decode.pattern", "Known are value, unit"),
    ("family = 'text-line'\npattern = '(?P<value>x)'\nfields = 0", "decode.fields", "Expected 1 to"),
    ("family = 'text-line'\npattern = '(?P<value>x)'\nwords = { A = 'amps' }", "decode.words", "Expected a quantity"),
    ("family = 'text-line'\npattern = '(?P<value>x)'\n[decode.channels.1]\nquantity = 'voltage'\nunit = 'mA'",
     "decode.channels.1.unit", "volts"),
    ("family = 'scpi'\nquantity = 'current'\nrange = '3 V'", "decode.range", "amperes"),
    ("family = 'scpi'\nsamples = 0", "decode.samples", "Expected 1 to"),
    ("family = 'numbered-lcd'\nbyte_11 = ['farad', 'ohm', 'relative', 'hodl']", "decode.byte_11", "Known are"),
    ("family = 'numbered-lcd'\nbyte_11 = ['farad', 'ohm']", "decode.byte_11", "length"),
    ("family = 'numbered-lcd'\nfull_scale_counts = 0", "decode.full_scale_counts", "Expected 1 to"),
    ("family = 'ascii-status'\npoints = { 9 = 1 }", "decode.points", "codes 0 to 4"),
    ("family = 'polled-text'\nmodes = { DC = 'direct' }", "decode.modes", "ac, dc, voltage"),
    ("family = 'packed'\n[[decode.functions.3B]]\nquantity = 'voltage'\nranges = { 30 = '400 mV' }",
     "decode.functions.3B", "as on the display"),
    ("family = 'packed'\n[[decode.functions.3B]]\nquantity = 'voltage'\nranges = { 30 = '400.0 mA' }",
     "decode.functions.3B", "volts"),
    ("family = 'packed'\n[[decode.functions.4B]]\nquantity = 'voltage'\nranges = {}",
     "decode.functions.4B", "30 to 3F"),
    ("family = 'stream-16'\n[decode.units]\n34 = 'volts'", "decode.units.34", "such as 'mV dc'"),
    ("family = 'stream-16'\n[decode.units]\n345 = 'V dc'", "decode.units", "two characters"),
    ("family = 'stream-16'\ndisplays = ['x']", "decode.displays", "digits"),
    ("family = 'modbus'\n[[decode.registers]]\naddress = 70000\nquantity = 'voltage'", "decode.registers[0]", "65535"),
    ("family = 'modbus'\nunit_id = 0", "decode.unit_id", "Expected 1 to 247"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "key", "expected"), DECODE)
def test_a_bad_table_of_frames_is_refused_at_load(text: str, key: str, expected: str) -> None:
    with pytest.raises(ProfileError) as caught:
        read_profile(f"schema = 1\ntitle = 'x'\n[decode]\n{text}\n", "own", "own.toml")

    assert f"own.toml, key {key}." in caught.value.where
    assert expected in str(caught.value)


@pytest.mark.parametrize(
    "text", ["= =", "[" * 5000, "a = " + "[" * 5000, "x = " + "9" * 5000, "schema = 1\nschema = 1", "\x00"]
)
def test_what_is_not_toml_is_refused(text: str) -> None:
    with pytest.raises(ProfileError, match="Not valid TOML"):
        read_profile(text, "own", "own.toml")


def test_another_schema_and_a_missing_table_are_refused() -> None:
    with pytest.raises(ProfileError, match="reads schema 1"):
        read_profile(TYPED.replace("1", "2", 1), "own", "own.toml")
    with pytest.raises(ProfileError, match="'decode' is missing"):
        read_profile("schema = 1\ntitle = 'x'\n", "own", "own.toml")


def test_a_users_own_profile_goes_before_the_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "scpi-bench.toml").write_text(TYPED, "utf-8")
    (tmp_path / "mine.toml").write_text(TYPED.replace("'x'", "'Mine'"), "utf-8")

    assert load("scpi-bench", tmp_path).title == "x" and load("mine", tmp_path).title == "Mine"
    assert load(str(tmp_path / "mine.toml")).name == "mine"
    assert names(tmp_path)["mine"] == str(tmp_path / "mine.toml") and names(tmp_path)["typed"] == "shipped"
    assert {key.origin for key in describe("mine", tmp_path)} == {"default", str(tmp_path / "mine.toml")}


def test_what_cannot_be_found_or_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ProfileError, match="Known are ascii-status"):
        load("nosuch", tmp_path)
    with pytest.raises(ProfileError, match="no profile file"):
        load("nosuch.toml")
    with pytest.raises(ProfileError, match="cannot be read"):
        load("binary", tmp_path)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_key_is_shown_with_its_meaning_and_where_it_came_from(name: str) -> None:
    keys = describe(name)

    assert all(key.meaning for key in keys)
    assert {"port.baud", "decode.family", "isolation", "meter.category"} <= {key.key for key in keys}
    assert {key.origin for key in keys} == {"shipped", "default"}
    assert next(key for key in keys if key.key == "title").value == load(name).title


def test_no_meaning_is_left_over_from_a_key_that_went() -> None:
    shown = {key.key.partition("[")[0] + key.key.partition("]")[2] for name in SHIPPED for key in describe(name)}

    assert set(MEANINGS) - shown == set()


def test_a_spoiled_profile_is_refused_or_read_and_nothing_else() -> None:
    """Every shipped profile with bytes changed, doubled and left out, from a fixed seed."""
    draw = random.Random(11)
    refused = 0
    for text in shipped().values():
        for _ in range(60):
            spoiled = list(text)
            for _ in range(draw.randrange(1, 4)):
                at = draw.randrange(len(spoiled))
                spoiled[at : at + draw.randrange(3)] = draw.choice(
                    ["", "'", '"', "=", "[", "-", "9", "x", "\n", "é", "\0"]
                )
            try:
                profile = read_profile("".join(spoiled), "own", "own.toml")
            except ProfileError as exc:
                refused += 1
                assert "own.toml" in exc.where and exc.what
            else:
                assert isinstance(profile, Profile)
                if profile.decode.__struct_config__.tag not in ("modbus", "typed"):
                    build(profile)
    assert refused > 200
