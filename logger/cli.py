"""The command line: parse, call one function, show, exit status.

Exit status: 0 done; 1 done, and danger or a failure was found; 2 the call was wrong or was refused; 3 a meter, port or
file failed and did not come back.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from analysis.report.text import one_line
from drivers.reading import BenchError
from logger import cli_bench, cli_calculators, cli_judge, cli_keep, cli_meters, cli_radio, cli_touch, cli_walk
from logger.cli_show import SPELLED

CAUTION = (
    "CAUTION: chassis, knobs and sockets of an old radio can be live. Probe with one hand, plug out before you move a "
    "clip. Local codes come first; leave work on the mains side to those licensed for it."
)

INTRODUCTION = f"""Find out how the metal of an old radio stands to the mains, prove its small transformer, and keep the
record.

A radio has a card in the benchbook; readings from your meters go into sessions; sessions are assessed and written up.

First look, no hardware: chassislog demo

A first sitting: chassislog radio add set-1 --mains '120 V' --frequency '60 Hz', then chassislog log set-1
--meter v=scpi-bench@COM4 --tag point=mains-line --plain, with the probe on the live contact of the socket that feeds
the radio: that proves the meter, its leads and the earth clip for this sitting. Plug out, move the probe, plug in, and
type point=chassis plug=1 switch=on; so on for switch=off and for plug=2; q ends it. Then chassislog assess set-1.
Or be led through all of it: chassislog walk set-1 --meter v=scpi-bench@COM4

{CAUTION}"""

app = typer.Typer(
    name="chassislog", rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False,
    invoke_without_command=True, help=INTRODUCTION,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)  # fmt: skip
cli_radio.add_to(app)
cli_bench.add_to(app)
cli_walk.add_to(app)
cli_meters.add_to(app)
cli_judge.add_to(app)
cli_calculators.add_calculators(app)
cli_touch.add_touch(app)
cli_keep.add_to(app)


def _version(value: bool) -> None:
    if value:
        from logger.session import program_version

        print(f"chassislog {program_version()}")
        raise typer.Exit


@app.callback()
def start(
    context: typer.Context,
    _: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")] = False,
) -> None:
    if context.invoked_subcommand is not None:
        return
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        print(context.get_help())
        return
    from logger.radio import Benchbook, default_benchbook
    from logger.screen.app import run_start

    run_start(Benchbook(default_benchbook()))


#: Errors that mean that something outside failed; every other one means that the call was wrong or refused.
_FAILURES = ("PortError", "SessionError", "SittingError", "TableError", "ReportError", "BenchbookFileError",
             "ArchiveFileError", "PackFileError", "UnpackFileError", "DemoFileError")  # fmt: skip
#: And of those the ones that say that a port was named as none can be.
_CALLS = ("PortCallError",)


def _status(exc: BenchError) -> int:
    kinds = {kind.__name__ for kind in type(exc).__mro__}
    return 3 if kinds.intersection(_FAILURES) and not kinds.intersection(_CALLS) else 2


def _one_line(text: object) -> str:
    return one_line(" ".join(str(text).split()))


#: What the parser says of a number, and what a person calls it.
_PARSER = {
    "Input should be a valid integer, unable to parse string as an integer": "Expected a whole number",
    "Input should be a valid number, unable to parse string as a number": "Expected a number",
    "Input should be greater than or equal to": "Expected a number of at least",
}


def _plain(text: str) -> str:
    for said, meant in _PARSER.items():
        text = text.replace(said, meant)
    return text


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line; the exit status. Every failure is one line on standard error."""
    try:
        result = app(arguments, standalone_mode=False, prog_name="chassislog")
        return result if isinstance(result, int) else 0
    except BenchError as exc:
        print(f"chassislog: {_one_line(exc)}", file=sys.stderr)
        return _status(exc)
    except (KeyboardInterrupt, typer.Abort):
        return 130
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - it must outlive this call
        return 0
    except OSError as exc:
        print(f"chassislog: {_one_line(exc)}", file=sys.stderr)
        return 3
    except Exception as exc:
        if not hasattr(exc, "format_message"):  # not one of the parser's own
            raise
        context = getattr(exc, "ctx", None)
        path = context.command_path if context is not None else "chassislog"
        print(
            f"chassislog: {_plain(_one_line(exc.format_message())).rstrip('.')}. Try '{path} --help'.", file=sys.stderr
        )
        return 2


def main() -> None:
    """Entry point."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console that lacks Ω must not end a sitting
            stream.reconfigure(errors=SPELLED)
    sys.exit(run())
