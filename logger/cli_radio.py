"""Commands on radio cards."""

from __future__ import annotations

import os
from typing import Annotated, Any

import typer

from drivers.reading import BenchError
from logger.benchmeter import MeterSpecError
from logger.cli_show import BenchbookOption, JsonOption, benchbook_of, say, say_json, tell
from logger.radio import ENVIRONMENT, Benchbook

radio_app = typer.Typer(
    rich_markup_mode=None, invoke_without_command=True,
    help="Radio cards: what the program knows of each set.\n\nExample: chassislog radio add set-1 --name 'Kitchen set' "
    "--points chassis,pickup-ground --mains '230 V' --frequency '50 Hz' --plug reversible",
)  # fmt: skip


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(radio_app, name="radio")


@radio_app.callback()
def radio(context: typer.Context) -> None:
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def _further(texts: list[str]) -> dict[str, Any]:
    """Card keys from `table.key=value`."""
    found: dict[str, Any] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        table, dot, name = key.strip().partition(".")
        if not equals or not table:
            raise MeterSpecError(f"{text!r} sets nothing.", remedy="Write --set transformer.secondary='9 V'.")
        parsed: Any = int(value) if value.isdigit() else {"true": True, "false": False}.get(value, value)
        if dot:
            found.setdefault(table, {})[name] = parsed
        else:
            found[table] = parsed
    return found


@radio_app.command("add")
def add(
    radio: Annotated[str, typer.Argument(metavar="ID", help="Folder name of the radio: a-z, 0-9 and -.")],
    name: Annotated[str, typer.Option(metavar="NAME", help="What you call it.")] = "",
    points: Annotated[str, typer.Option(metavar="A,B,...", help="Points to probe, with commas.")] = "chassis",
    mains: Annotated[str, typer.Option(metavar="VOLTS", help="Nominal mains voltage, such as '230 V'.")] = "",
    frequency: Annotated[str, typer.Option(metavar="HERTZ", help="Mains frequency, such as '50 Hz'.")] = "",
    plug: Annotated[str, typer.Option(metavar="KIND", help="reversible, polarised or earthed.")] = "",
    switch: Annotated[str, typer.Option(metavar="KIND", help="single, double, none or unknown.")] = "",
    supply: Annotated[
        str, typer.Option(metavar="KIND", help="unknown, transformer, autotransformer or series-heater.")
    ] = "",
    notes: Annotated[str, typer.Option(metavar="TEXT", help="Anything worth keeping.")] = "",
    strict: Annotated[bool, typer.Option("--strict", help="Children or a damp place: lower limits.")] = False,
    further: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="Any other key, as transformer.secondary='9 V'."),
    ] = None,
    benchbook: BenchbookOption = "",
    as_json: JsonOption = False,
) -> None:
    """Write a new radio's card.

    Example: chassislog radio add set-1 --name 'Kitchen set' --points chassis,aerial --mains '120 V' --frequency '60 Hz'
    """
    card = {
        "id": radio, "name": name, "nominal_mains": mains, "frequency": frequency, "plug": plug, "switch": switch,
        "supply": supply, "points": [point.strip() for point in points.split(",") if point.strip()], "notes": notes,
        **_further(further or []),
    }  # fmt: skip
    if strict:
        card["limits"] = {**card.get("limits", {}), "strict": True}
    book = benchbook_of(benchbook)
    added = book.add(card)
    path = book.folder / added.id / "radio.toml"
    if as_json:
        say_json({"radio": added.id, "card": str(path)})
    else:
        say(f"Added {added.id}: {path}")


@radio_app.command("show")
def show(
    radio: Annotated[str, typer.Argument(metavar="ID")], benchbook: BenchbookOption = "", as_json: JsonOption = False
) -> None:
    """Show one radio's card.

    Example: chassislog radio show set-1
    """
    import msgspec

    book = benchbook_of(benchbook)
    card = book.card(radio)
    if as_json:
        say_json(msgspec.to_builtins(card))
        return
    for line in book.card_text(radio).rstrip().split("\n"):
        say(line)
    if not card.nominal_mains:
        tell("The card names no mains voltage, so no measuring chain can be proved.")


@radio_app.command("list")
def list_all(benchbook: BenchbookOption = "", as_json: JsonOption = False) -> None:
    """List the radios of the benchbook.

    Example: chassislog radio list
    """
    book = benchbook_of(benchbook)
    if book.folder.exists() or benchbook or os.environ.get(ENVIRONMENT):  # the usual one may be yet to come
        book.require()
    radios = [_listed(book, radio) for radio in book.ids()]
    if as_json:
        say_json({"benchbook": str(book.folder), "radios": radios})
    for entry in radios:
        if "problem" in entry:
            tell(f"Radio {entry['radio']} cannot be read: {entry['problem']}")
        elif not as_json:
            say(f"{entry['radio']:24}  {entry['name']}")
    if not radios and not as_json:
        tell(f"No radio in {book.folder} yet. Add one with 'chassislog radio add'.")


def _listed(book: Benchbook, radio: str) -> dict[str, str]:
    """One radio's entry of the list; a card that is spoiled hides no other."""
    try:
        return {"radio": radio, "name": book.card(radio).name}
    except BenchError as exc:
        return {"radio": radio, "name": "", "problem": str(exc)}
