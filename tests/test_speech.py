"""Spoken prompts: words for units, the platform's own speech, and a line where there is none."""

from __future__ import annotations

import shutil
import subprocess
import wave
from pathlib import Path

import pytest

from logger.speech import Speaker, command_for, spoken


@pytest.mark.parametrize(
    ("text", "words"),
    [("Taken: 117.4 V AC.", "Taken: 117.4 volts A C."), ("Taken: 4.70 kΩ.", "Taken: 4.70 kilo ohms."),
     ("320 µA", "320 microamperes"), ("Pull the plug.", "Pull the plug.")],
)  # fmt: skip
def test_units_are_said_in_words(text: str, words: str) -> None:
    assert spoken(text) == words


def test_each_platform_has_its_own_command_and_text_is_never_an_option() -> None:
    def has_all(name: str) -> str:
        return name

    assert command_for("-x", which=has_all, platform="linux") == ["espeak-ng", "--", "-x"]
    assert command_for("x", which=has_all, platform="darwin") == ["say", "--", "x"]
    windows = command_for("it's", which=has_all, platform="win32")
    assert windows is not None and "it''s" in windows[-1]
    assert command_for("x", which=lambda _: None, platform="linux") is None


def test_where_nothing_can_speak_one_line_says_so_and_nothing_fails() -> None:
    lines: list[str] = []
    speaker = Speaker(ways=[lambda: None], on_absent=lines.append)
    for text in ("one", "two", "three"):
        speaker.say(text)
    speaker.close()

    assert len(lines) == 1 and "Going on without" in lines[0]


def test_a_voice_that_fails_does_not_end_the_sitting() -> None:
    said: list[str] = []

    def voice(text: str) -> None:
        said.append(text)
        raise OSError("no sound card")

    speaker = Speaker(ways=[lambda: voice], on_absent=said.append)
    speaker.say("one")
    speaker.close()
    assert said == ["one"]


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed here")
def test_espeak_says_a_taken_value_into_a_file(tmp_path: Path) -> None:
    sound = tmp_path / "taken.wav"
    command = command_for(spoken("Taken: 117.4 V AC."), platform="linux", to_file=str(sound))

    assert command is not None
    subprocess.run(command, check=True, timeout=30)
    with wave.open(str(sound)) as heard:
        assert heard.getnframes() / heard.getframerate() > 1.0
