"""Spoiled wires: nothing raises, and nothing is read that was not sent, beyond the frames that were touched."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.framing import Frame
from tests.wires import FRAMES, cut, everything, opened, readings, said, told

#: A place on the wire, what is done there, and with which byte.
SPOILS = st.lists(
    st.tuples(st.integers(0, 10**6), st.sampled_from(["insert", "flip", "delete"]), st.integers(0, 255)),
    min_size=1, max_size=6,
)  # fmt: skip


def spoil(sent: list[bytes], spoils: list[tuple[int, str, int]]) -> tuple[list[tuple[int, int | None]], set[int]]:
    """Each byte with the number of the frame it is from (None: inserted), and the numbers of the frames touched."""
    wire: list[tuple[int, int | None]] = [(byte, n) for n, raw in enumerate(sent) for byte in raw]
    touched: set[int] = set()
    for place, how, byte in spoils:
        at = place % (len(wire) + 1)
        around = {owner for _, owner in wire[max(0, at - 1) : at + 1] if owner is not None}
        if how == "insert":
            wire.insert(at, (byte, None))
            touched |= around if len(around) == 1 else set()
        elif at < len(wire):
            owner = wire[at][1]
            touched |= {owner} if owner is not None else set()
            wire[at : at + 1] = [] if how == "delete" else [(wire[at][0] ^ (1 << byte % 8), owner)]
    return wire, touched


@pytest.mark.parametrize("name", FRAMES)
@settings(max_examples=80, deadline=None)
@given(data=st.data(), spoils=SPOILS)
def test_only_the_frames_that_were_touched_can_say_something_else(
    name: str, data: st.DataObject, spoils: list[tuple[int, str, int]]
) -> None:
    sent = data.draw(st.lists(FRAMES[name], min_size=1, max_size=6))
    wire, touched = spoil(sent, spoils)
    framer, decode = opened(name)

    at, whole = 0, set()
    for n, item in enumerate(framer.feed(bytes(byte for byte, _ in wire))):
        owners = [owner for _, owner in wire[at : at + len(item.raw)]]
        at += len(item.raw)
        found = told(decode(item.raw, float(n))) if isinstance(item, Frame) else []
        if found and not touched.intersection(o for o in owners if o is not None) and None not in owners:
            assert len(set(owners)) == 1 and owners[0] is not None
            assert item.raw == sent[owners[0]] and found == said(name, item.raw)
            whole.add(owners[0])

    clear = {n for n in range(len(sent)) if not touched.intersection((n - 1, n, n + 1))}
    if not any(owner is None for _, owner in wire):
        assert clear <= whole


@pytest.mark.parametrize("name", FRAMES)
@settings(max_examples=60, deadline=None)
@given(noise=st.binary(max_size=200), cuts=st.lists(st.integers(1, 40), max_size=6))
def test_any_bytes_at_all_give_readings_or_faults_and_never_an_exception(
    name: str, noise: bytes, cuts: list[int]
) -> None:
    framer, decode = opened(name)

    got = everything(framer, cut(noise, cuts))
    for n, item in enumerate(got):
        decode(item.raw, float(n))
    decode(noise, 99.0)

    assert b"".join(item.raw for item in [*got, *framer.finish()]) == noise


@pytest.mark.parametrize("name", FRAMES)
@settings(max_examples=40, deadline=None)
@given(data=st.data(), cuts=st.lists(st.integers(1, 9), max_size=30))
def test_a_valid_stream_cut_anywhere_gives_the_readings_that_were_sent(
    name: str, data: st.DataObject, cuts: list[int]
) -> None:
    sent = data.draw(st.lists(FRAMES[name], min_size=1, max_size=6))
    framer, decode = opened(name)

    got = readings(decode, everything(framer, cut(b"".join(sent), cuts)))

    assert len(got) >= len(sent)
    assert told(got) == [one for raw in sent for one in said(name, raw)]
