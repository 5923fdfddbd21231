"""The screens as applications: one sitting by itself, and the start screen with everything behind it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import BindingType

from logger.bench import Bench
from logger.guide import Guide
from logger.screen.benchscreen import BenchScreen

if TYPE_CHECKING:
    from logger.radio import Benchbook
    from logger.screen.forms import RunningScreen
    from logger.sitting import Outcome, Sitting
    from logger.walking import Guided

_SIGNALS = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]


def own_colours() -> bool | None:
    """Whether only the terminal's own colours are used; without colour, greys would be mixed and sent otherwise."""
    return True if "NO_COLOR" in os.environ else None


class BenchApp(App[None]):
    """One sitting."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = []
    TITLE = "chassislog"

    def __init__(self, bench: Bench, guide: Guide, sitting: Sitting) -> None:
        super().__init__(ansi_color=own_colours())
        self._parts = bench, guide, sitting

    def on_mount(self) -> None:
        """Show the sitting."""
        leave_on_signals(self)
        self.push_screen(BenchScreen(*self._parts, ended=self.exit))


class StartApp(App[None]):
    """The whole job, from a new card to the report.

    Args:
        clock: of the sittings; None: this computer's own.
    """

    ENABLE_COMMAND_PALETTE = False
    TITLE = "chassislog"

    def __init__(self, benchbook: Benchbook, clock: Callable[[], float] | None = None) -> None:
        super().__init__(ansi_color=own_colours())
        self.benchbook = benchbook
        self.bench_clock: Callable[[], float] | None = clock
        self.running: list[RunningScreen] = []  #: sittings that were begun

    def on_mount(self) -> None:
        """Show the start screen."""
        from logger.screen.start import StartScreen

        leave_on_signals(self)
        self.push_screen(StartScreen(self.benchbook))

    def close_sittings(self) -> None:
        """Close the sitting that runs, if one does."""
        for screen in self.running:
            screen.close_sitting()


def leave_on_signals(app: App[None]) -> None:
    """A closed window or a plain kill leaves the screen; whoever started it then closes the session."""
    loop = asyncio.get_running_loop()
    for number in _SIGNALS:
        with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
            loop.add_signal_handler(number, app.exit)


@contextlib.contextmanager
def _handlers_kept() -> Iterator[None]:
    """The screen's event loop resets signal handlers as it goes: put back those of the sitting."""
    before = {}
    with contextlib.suppress(ValueError):
        before = {number: signal.getsignal(number) for number in _SIGNALS}
    try:
        yield
    finally:
        with contextlib.suppress(ValueError, TypeError):
            for number, handler in before.items():
                signal.signal(number, handler)


def run_on_screen(sitting: Sitting, bench: Bench, guide: Guide) -> Outcome:
    """Run a sitting on the screen."""

    def wait(running: Sitting) -> None:
        guide.start(running)
        with _handlers_kept():
            BenchApp(bench, guide, running).run()
        guide.stop()

    return sitting.run(wait)


def run_bench(guided: Guided) -> Outcome:
    """Run a guided sitting on the screen."""
    return run_on_screen(guided.sitting, guided.bench, guided.guide)


def run_start(benchbook: Benchbook) -> None:
    """Run the start screen until the user leaves it; a sitting that still runs then is closed."""
    app = StartApp(benchbook)
    with _handlers_kept():
        app.run()
    app.close_sittings()
