"""The benchbook folder: radio cards, the burden box, and where sessions and reports are."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.card import DEVICE, ID, ID_WORDS, BurdenBox, RadioCard, card_text, read_burdens, read_card
from drivers.reading import BenchError
from logger.session import write_whole

ENVIRONMENT = "CHASSISLOG_BENCHBOOK"


class BenchbookError(BenchError):
    """A radio or folder that is not there, or that cannot be written."""


class BenchbookFileError(BenchError):
    """A file of the benchbook that the disk does not give or take."""


def default_benchbook() -> Path:
    """The folder that holds all radios: from the environment, else the platform's documents folder."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named)
    from platformdirs import user_documents_path

    return user_documents_path() / "chassislog"


def check_id(radio_id: str) -> None:
    """Raises: BenchbookError: no new radio can be named so, here or on another platform."""
    if not ID.fullmatch(radio_id):
        raise BenchbookError(f"{radio_id[:70]!r} cannot be a radio's id.", remedy=f"{ID_WORDS}.")
    if DEVICE.fullmatch(radio_id):
        raise BenchbookError(
            f"{radio_id!r} cannot be a radio's id: Windows keeps that name for a device.",
            remedy="Take another, so that the record can be read there too.",
        )


@dataclass(frozen=True, slots=True)
class Benchbook:
    """The folder that holds all radios."""

    folder: Path

    def require(self) -> None:
        """Raises: BenchbookError: the folder is not there, or is no folder."""
        if self.folder.is_dir():
            return
        what = "is no folder" if self.folder.exists() else "is not there"
        raise BenchbookError(
            f"The benchbook {self.folder} {what}.",
            remedy=f"Name its folder with --benchbook or {ENVIRONMENT}; 'chassislog radio add' makes one.",
        )

    def radio_folder(self, radio_id: str) -> Path:
        """The folder of one radio. Raises: BenchbookError: no benchbook, or no such radio: the ids there are listed."""
        self.require()
        folder = self.folder / radio_id
        if not ID.fullmatch(radio_id) or not (folder / "radio.toml").is_file():
            if len(Path(radio_id).parts) > 1 and Path(radio_id).exists():
                kind = "folder, and not of a radio" if Path(radio_id).is_dir() else "file"
                raise BenchbookError(f"{radio_id} is a {kind}.", remedy="Name a radio by its id, such as set-1.")
            known = ", ".join(self.ids()) or "none yet; add one with 'chassislog radio add'"
            raise BenchbookError(f"There is no radio {radio_id!r}.", f"Benchbook {self.folder}.", f"Radios: {known}.")
        return folder

    def ids(self) -> list[str]:
        """Every radio's id, in order."""
        if not self.folder.is_dir():
            return []
        return sorted(p.parent.name for p in self.folder.glob("*/radio.toml") if ID.fullmatch(p.parent.name))

    def card(self, radio_id: str) -> RadioCard:
        """One radio's card. Raises: BenchbookError, BenchbookFileError, CardError."""
        return read_card(self.card_text(radio_id), str(self.folder / radio_id / "radio.toml"))

    def card_text(self, radio_id: str) -> str:
        """One radio's card as it was written. Raises: BenchbookError, BenchbookFileError, CardError: no UTF-8 text."""
        return _text(self.radio_folder(radio_id) / "radio.toml")

    def burdens(self) -> BurdenBox:
        """The burden box; an empty one where there is no file. Raises: CardError, BenchbookFileError."""
        path = self.folder / "burdens.toml"
        return read_burdens(_text(path), str(path)) if path.is_file() else BurdenBox()

    def add(self, card: Mapping[str, Any]) -> RadioCard:
        """Write a new radio's card.

        Raises: BenchbookError: it exists; CardError: it says something it cannot; BenchbookFileError: the disk refuses.
        """
        import tomli_w

        check_id(str(card.get("id") or ""))
        if "points" in card and not card["points"]:
            raise BenchbookError("No point was named.", remedy="Name what somebody can touch, such as chassis.")
        data = {key: value for key, value in card.items() if value not in ("", None, (), {})}
        text = tomli_w.dumps({"schema": 1, **data})
        checked = read_card(text, "The new card")
        if self.folder.exists():
            self.require()
        folder = self.folder / checked.id
        if (folder / "radio.toml").exists():
            raise BenchbookError(
                f"Radio {checked.id!r} exists already.", f"{folder / 'radio.toml'}.", "Edit that card."
            )
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_whole(folder / "radio.toml", text)
        except OSError as exc:
            raise BenchbookFileError(f"The card cannot be written: {exc.strerror or exc}.", f"{folder}.") from exc
        return checked


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as exc:
        raise BenchbookFileError(f"{path.name} cannot be read: {exc.strerror or exc}.", f"{path}.") from exc
    return card_text(data, str(path))
