"""Every byte that a port gives is in a frame, skipped with a reason, or pending; how it was cut changes nothing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.framing import (
    Frame,
    LineFramer,
    Skipped,
    ascii_status_framer,
    numbered_framer,
    packed_framer,
    stream_16_framer,
)
from tests.wires import FRAMES, cut, everything, frames, opened

FIRST = bytes.fromhex("17 20 35 4D 5B 61 7F 82 97 A0 B0 C0 D4 E0")
SECOND = bytes.fromhex("15 2F 3D 45 5B 61 7F 8A 97 A0 B8 C0 D8 E0")


def _noisy(name: str) -> st.SearchStrategy[bytes]:
    """Whole frames, pieces of frames, and noise."""
    frame = FRAMES[name]
    piece = st.builds(lambda raw, a, b: raw[a:b], frame, st.integers(0, 8), st.integers(4, 20))
    return st.lists(st.one_of(frame, frame, piece, st.binary(max_size=6)), max_size=12).map(b"".join)


@pytest.mark.parametrize("name", FRAMES)
@settings(max_examples=50, deadline=None)
@given(data=st.data(), cuts=st.lists(st.integers(1, 9), max_size=60))
def test_how_the_port_cuts_the_bytes_changes_nothing_and_loses_nothing(
    name: str, data: st.DataObject, cuts: list[int]
) -> None:
    wire = data.draw(_noisy(name))
    framer, whole = opened(name)[0], opened(name)[0]

    got = everything(framer, cut(wire, cuts))

    assert frames(got) == frames(whole.feed(wire))
    assert framer.pending == whole.pending
    assert b"".join(item.raw for item in got) + framer.pending == wire


@pytest.mark.parametrize("name", FRAMES)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_whole_frames_all_come_out_and_at_once(name: str, data: st.DataObject) -> None:
    sent = data.draw(st.lists(FRAMES[name], min_size=1, max_size=6))
    framer = opened(name)[0]

    assert [framer.feed(raw) for raw in sent] == [[Frame(raw)] for raw in sent]
    assert framer.pending == b"" and framer.finish() == []


def test_only_a_partial_first_frame_is_dropped_after_opening() -> None:
    assert numbered_framer().feed(FIRST + SECOND) == [Frame(FIRST), Frame(SECOND)]

    late = numbered_framer()
    assert late.feed(FIRST[5:] + SECOND) == [Skipped(FIRST[5:], "a partial first frame"), Frame(SECOND)]


def test_a_break_in_the_numbering_costs_one_frame() -> None:
    framer = numbered_framer()

    got = framer.feed(FIRST + FIRST[:6] + FIRST[7:] + SECOND)

    assert frames(got) == [FIRST, SECOND]
    assert got[1] == Skipped(FIRST[:6] + FIRST[7:], "bytes that make no frame")


def test_status_bytes_that_look_like_line_ends_do_not_cut_a_frame() -> None:
    """The maker's frame +1.234 V DC with bar 13: the first 0D is the bar."""
    frame = bytes.fromhex("2B 31 32 33 34 20 31 31 00 00 80 0D 0D 0A")
    nasty = bytes.fromhex("2D 30 34 35 36 20 34 0A 0D 0A 0D 0A 0D 0A")

    assert ascii_status_framer().feed(frame + nasty) == [Frame(frame), Frame(nasty)]


def test_a_packet_too_many_spoils_its_block_instead_of_shifting_it() -> None:
    block = bytes.fromhex("31 31 32 33 34 3B 34 30 3A 0D 0A")
    framer = packed_framer()

    got = everything(framer, cut(b"\x30" + block + block, [3, 2, 1, 1, 3]))

    assert frames(got) == [block]
    assert b"".join(item.raw for item in got) == b"\x30" + block + block


def test_a_start_character_inside_noise_does_not_swallow_the_frame_behind_it() -> None:
    frame = bytes.fromhex("02 34 31 33 34 30 33 30 30 30 30 31 32 33 34 0D")

    assert frames(stream_16_framer().feed(b"\x02\x024" + frame)) == [frame]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_lines_end_by_lf_by_cr_lf_or_by_cr(end: bytes) -> None:
    framer = LineFramer()

    got = framer.feed(b"+1.0E+00" + end + b"+2.0E+00" + end) + framer.flush()

    assert frames(got) == [b"+1.0E+00" + end, b"+2.0E+00" + end]
    assert framer.pending == b""


def test_a_meter_that_ends_by_cr_alone_is_read_at_once_where_its_profile_says_so() -> None:
    assert LineFramer(end="cr").feed(b"+1.0E+00\r") == [Frame(b"+1.0E+00\r")]
    with pytest.raises(ValueError, match="'any' or 'cr'"):
        LineFramer(end="semicolon")


@settings(max_examples=60, deadline=None)
@given(
    length=st.integers(10, 60), cuts=st.lists(st.integers(1, 9), max_size=10), end=st.sampled_from(["\n", "\r\n", "\r"])
)
def test_an_over_long_line_is_skipped_to_its_end_and_the_next_is_read(length: int, cuts: list[int], end: str) -> None:
    wire = b"x" * length + end.encode() + b"12.5\n"
    framer, whole = LineFramer(limit=20), LineFramer(limit=20)

    got = everything(framer, cut(wire, cuts))

    assert frames(got) == frames(whole.feed(wire))
    assert frames(got)[-1] == b"12.5\n" and (len(frames(got)) == 2) == (length + len(end) <= 20)
    assert b"".join(item.raw for item in got) == wire


def test_the_first_line_of_a_meter_that_talks_unasked_may_have_lost_its_head() -> None:
    """30.1 cannot be told from the end of 230.1, and would be far from it."""
    got = LineFramer(keep_first=False).feed(b"30.1\r\n230.1\r\n")

    assert frames(got) == [b"230.1\r\n"]
    assert got[0] == Skipped(b"30.1\r\n", "the first line after opening may have lost its head")


def test_what_is_pending_at_the_end_is_given_back() -> None:
    for framer, part in ((LineFramer(), b"+1.2"), (numbered_framer(), FIRST[:9]), (packed_framer(), b"\x31\x32")):
        assert framer.feed(part) == [] and framer.pending == part
        assert [item.raw for item in framer.finish()] == [part]
        assert framer.pending == b""
