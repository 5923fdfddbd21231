"""The command over the whole benchbook."""

from __future__ import annotations


def archive() -> None:
    """x"""
