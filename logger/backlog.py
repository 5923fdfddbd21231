"""What was read and is not written yet: bounded by readings, with the waits of those who had to wait counted."""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Generic, TypeVar

T = TypeVar("T")


class Backlog(Generic[T]):
    """A queue whose bound is a weight, so that neither many small batches nor a few large ones get far behind."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._items: deque[tuple[T, int]] = deque()
        self._weight = 0
        self._lock = threading.Lock()
        self._filled = threading.Condition(self._lock)
        self._freed = threading.Condition(self._lock)

    def put(self, item: T, weight: int) -> bool:
        """Add an item, when there is room; whether that had to be waited for."""
        with self._lock:
            waited = self._weight >= self._most
            while self._weight >= self._most:
                self._freed.wait()
            self._items.append((item, weight))
            self._weight += weight
            self._filled.notify()
        return waited

    def get(self, timeout: float) -> T | None:
        """The oldest item, or None if none comes within so many seconds."""
        with self._lock:
            if not self._items:
                deadline = time.monotonic() + timeout
                while not self._items:
                    left = deadline - time.monotonic()
                    if left <= 0 or not self._filled.wait(left):
                        break
                if not self._items:
                    return None
            item, weight = self._items.popleft()
            self._weight -= weight
            if self._weight < self._most:
                self._freed.notify_all()
            return item
