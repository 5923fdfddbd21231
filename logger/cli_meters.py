"""Commands on ports and meter profiles."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from drivers.units import counted
from logger.cli_show import JsonOption, say, say_json, tell

meters_app = typer.Typer(
    rich_markup_mode=None, invoke_without_command=True,
    help="Meter profiles: what the program knows of each meter family.\n\nExample: chassislog meters show numbered-lcd",
)  # fmt: skip


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("ports")(ports)
    app.add_typer(meters_app, name="meters")


def ports(as_json: JsonOption = False) -> None:
    """List the serial ports present, with what is known of each. Nothing is sent to any of them.

    Example: chassislog ports
    """
    import msgspec

    from drivers.portlist import ports as present

    found = present()
    if as_json:
        say_json({"ports": [msgspec.to_builtins(port) for port in found]})
        return
    for port in found:
        usb = f"USB {port.vid:04X}:{port.pid:04X}" if port.vid is not None and port.pid is not None else ""
        holder = f"held by {port.held_by}" if port.held_by else ""
        say("  ".join(word for word in (port.name, port.description, usb, port.serial_number or "", holder) if word))
    if not found:
        tell(
            "No serial port is present. A network meter is named as socket://ADDRESS:PORT, a meter without a lead as"
            " typed."
        )


@meters_app.callback()
def meters(context: typer.Context, as_json: JsonOption = False) -> None:
    if context.invoked_subcommand is not None:
        return
    from drivers.profile import names

    rows = [_listed(name, origin) for name, origin in names().items()]
    if as_json:
        say_json({"profiles": rows})
    for row in rows:
        if "problem" in row:
            tell(f"Profile {row['profile']} cannot be used: {row['problem']}")
        elif not as_json:
            own = "" if row["from"] == "shipped" else f"; {row['from']}"
            say(f"{row['profile']:16}  {row['title']}  (link: {row['isolation']}{own})")


def _listed(name: str, origin: str) -> dict[str, str]:
    """One profile's entry of the list; one that is spoiled hides no other."""
    from drivers.profile import ProfileError, load

    try:
        profile = load(name)
    except ProfileError as exc:
        return {"profile": name, "title": "", "isolation": "unknown", "from": origin, "problem": str(exc)}
    return {"profile": name, "title": profile.title, "isolation": str(profile.isolation), "from": origin}


@meters_app.command("show")
def show(name: Annotated[str, typer.Argument(metavar="NAME")], as_json: JsonOption = False) -> None:
    """Show every key of a profile, what it means and where it came from.

    Example: chassislog meters show numbered-lcd
    """
    from drivers.profile_keys import describe

    keys = describe(name)
    if as_json:
        say_json(
            {
                "profile": name,
                "keys": [{"key": k.key, "value": k.value, "meaning": k.meaning, "from": k.origin} for k in keys],
            }
        )
        return
    for key in keys:
        say(f"{key.key} = {_shown(key.value)}")
        say(f"    {key.meaning}  [{key.origin}]")


def _shown(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


@meters_app.command("try")
def try_meter(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Profile.")],
    port: Annotated[str, typer.Argument(metavar="PORT")],
    as_json: JsonOption = False,
) -> None:
    """Open a port with a profile, show ten readings, and say what is wrong if nothing decodes.

    Example: chassislog meters try numbered-lcd /dev/ttyUSB0
    """
    import msgspec

    from drivers.finding_out import Diagnosis
    from drivers.finding_out import try_meter as attempt
    from drivers.profile import load
    from logger.screen.plain import shown

    found = attempt(load(name), port)
    if as_json:
        say_json(msgspec.to_builtins(found))
    else:
        for reading in found.readings:
            channel = f"{reading.channel}: " if reading.channel else ""
            say(f"{reading.elapsed:7.2f} s  {channel}{shown(reading)}")
        heard = counted(found.frames, "frame")
        skipped = counted(found.skipped_bytes, "byte")
        say(f"{found.rate:.3g} readings a second, {heard}, {skipped} skipped.")
        say(found.text)
    if found.diagnosis is not Diagnosis.WORKS:
        raise typer.Exit(3)


@meters_app.command("guess")
def guess(port: Annotated[str, typer.Argument(metavar="PORT")], as_json: JsonOption = False) -> None:
    """Find out which profile fits what is on a port: listen first, ask only when nothing is heard.

    Example: chassislog meters guess COM4
    """
    import msgspec

    from drivers.finding_out import guess as listen

    found = listen(port)
    if as_json:
        say_json(msgspec.to_builtins(found))
    else:
        for row in found.ranked:
            whole = counted(row.frames, "whole frame")
            say(f"{row.profile:16}  {whole}, {row.skipped_bytes} of {counted(row.bytes, 'byte')} skipped")
        say(f"Sent: {', '.join(found.sent) or 'nothing'}.")
        say(found.text)
    if not found.ranked or not found.ranked[0].frames:
        raise typer.Exit(3)
