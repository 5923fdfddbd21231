"""Streams that cannot show every sign: none is lost that would make it another value."""

from __future__ import annotations

import io
import os
import subprocess
import sys

from logger.cli_show import SPELLED


def written(text: str, encoding: str) -> str:
    """What a stream of that encoding holds of a text."""
    raw = io.BytesIO()
    with io.TextIOWrapper(raw, encoding=encoding, errors=SPELLED) as stream:
        stream.write(text)
        stream.flush()
        return raw.getvalue().decode(encoding)


def test_prefixes_units_and_signs_are_spelled_where_a_stream_lacks_them() -> None:
    assert written("927 µA, 927 μA, 10.0 kΩ, 4.7 Ω, −5.0 ± 0.1 °C – 2×", "ascii") == (
        "927 uA, 927 uA, 10.0 kohm, 4.7 ohm, -5.0 +- 0.1 degC - 2x"
    )
    assert written("927 µA ± 1 kΩ", "cp1252") == "927 µA ± 1 kohm"
    assert written("927 µA ± 1 kΩ 雨", "utf-8") == "927 µA ± 1 kΩ 雨"
    assert written("雨", "ascii") == "?"


def test_a_command_on_an_ascii_terminal_loses_no_prefix() -> None:
    call = ["touch", "--reading", "118.4V", "--reading", "2.31V@10kohm", "--meter-input", "10 Mohm"]
    shown = {}
    for encoding in ("ascii", "utf-8"):
        done = subprocess.run([sys.executable, "-m", "chassislog", *call], capture_output=True,
                              env={**os.environ, "PYTHONIOENCODING": encoding})  # fmt: skip
        shown[encoding] = done.stdout.decode(encoding)

    assert "kΩ" in shown["utf-8"] and "µA" in shown["utf-8"]
    assert "kohm" in shown["ascii"] and "uA" in shown["ascii"] and "?" not in shown["ascii"]
