"""A meter whose function a plan can set: the order is carried out in the meter's own thread."""

from __future__ import annotations

from collections import deque

from drivers.meter import Batch, Meter
from drivers.reading import Coupling, Quantity


class ToldMeter:
    """A meter as the recorder reads it."""

    def __init__(self, meter: Meter) -> None:
        self._meter, self.role = meter, meter.role
        self._orders: deque[tuple[Quantity, Coupling]] = deque(maxlen=1)  # the newest counts

    @property
    def finished(self) -> bool:
        """Whether a replayed wire log is at its end."""
        return self._meter.finished

    @property
    def identity(self) -> str:
        """What it says it is."""
        return self._meter.identity

    def measure(self, quantity: Quantity, coupling: Coupling) -> None:
        """Have the function set before the next reading, where the instrument can be told."""
        self._orders.append((quantity, coupling))

    def open(self) -> Batch:
        """Open the port. Raises: PortError."""
        return self._meter.open()

    def read(self) -> Batch:
        """What came; an order goes first."""
        return self._meter.measure(*self._orders.popleft()) if self._orders else self._meter.read()

    def close(self) -> Batch:
        """Let go of the port."""
        return self._meter.close()
