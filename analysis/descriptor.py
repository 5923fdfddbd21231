"""A session's descriptor, from the bytes of `datapackage.json`."""

from __future__ import annotations

import json
from typing import Any

#: What the program writes is five levels deep. Deeper ones end whatever walks through them, the writer of JSON too.
DEEPEST = 32
#: What the port of a practice bench's meter begins with.
PRACTICE = "practice://"


def descriptor_from(data: bytes) -> dict[str, Any] | None:
    """The descriptor; None: the bytes are no JSON object, or one that is nested beyond all sense."""
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) and _shallow(found) else None


def _shallow(found: object) -> bool:
    level = [found]
    for _ in range(DEEPEST):
        level = [
            inner for outer in level if isinstance(outer, (dict, list))
            for inner in (outer.values() if isinstance(outer, dict) else outer)
        ]  # fmt: skip
        if not level:
            return True
    return False
