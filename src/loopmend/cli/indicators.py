"""The command that says where in a loop to add fault indicators."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from loopmend.cli import STOPPED
from loopmend.cli.answers import answering, print_json
from loopmend.cli.render import ADVICE
from loopmend.cli.studies import AsJson, CircuitPath, FieldMap
from loopmend.workbench.placement import PlacesAsked, indicator_places, write_places_csv


@answering
def ask_places(
    circuit: CircuitPath,
    source: Annotated[str, typer.Option(metavar="ID", help="A source of the loop; the circuit's first if none.")] = "",
    count: Annotated[
        int | None, typer.Option(help="How many to add; 4, or all places there are, if not given.")
    ] = None,
    sensitivity: Annotated[float, typer.Option(help="Chance that one trips for a fault beyond it.")] = 0.90,
    specificity: Annotated[float, typer.Option(help="Chance that one stays quiet for another fault.")] = 0.95,
    read_minutes: Annotated[float, typer.Option(help="Minutes that reading one takes, everyone out meanwhile.")] = 0.0,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write a row per place here (CSV).")] = None,
    field_map: FieldMap = None,
    *,
    as_json: AsJson = False,
) -> int:
    """Say where in a loop more fault indicators would save most customer-minutes, and how soon that flattens.

    Stopped with Ctrl-C it gives the places so far, and says that they are not all.
    Example: loopmend indicators sample_data/tern_hollow.gpkg --source R-101 --count 3
    """
    asked = PlacesAsked(
        source=source, count=count, sensitivity=sensitivity, specificity=specificity, read_minutes=read_minutes
    )
    document = indicator_places(circuit, asked, field_map=field_map, out=out, progress=_show_progress)
    if out is not None:
        write_places_csv(document, out)
    if as_json:
        print_json(document)
    else:
        typer.echo(places_text(document))
    return 0 if document["complete"] else STOPPED


def places_text(document: dict[str, Any]) -> str:
    """Write the places in order, what each saves, and what the figures are."""
    years = document["failures_per_year"]
    often = "no failures on record: spans weighed by length" if years is None else f"{years:.3f} failures a year"
    mounted = sum(len(half["mounted"]) for half in document["halves"])
    lines = [
        f"loop of {', '.join(document['sources'])}: {often}, indicators mounted: {mounted}, "
        f"places free: {document['free_places']}" + ("" if document["complete"] else "; stopped before the end"),
    ]
    if document["now"]["per_failure"] is not None:
        lines.append(f"expected customer-minutes without any indicator: {_figures(document['without_any'])}")
        at_most = "" if document["now_exact"] else "at most "
        lines.append(f"with those mounted: {at_most}{_figures(document['now'])}")
    if document["places"]:
        lines.append("add, in this order:")
    for one in document["places"]:
        street = f", {one['street']}" if one["street"] else ""
        proof = ", no set of so many does better" if one["best_of_all_sets"] else ""
        lines.append(f"  {one['n']}. {one['enclosure']}{street}: on {one['span']}, {one['end']} end")
        at_most = "" if one["exact"] else "at most "
        lines.append(
            f"      saves {_figures(one['saves'])}; leaves {at_most}{_figures(one['customer_minutes'])}{proof}"
        )
    if document["ended_early"]:
        lines.append("no further place is worth the minutes of reading it")
    return "\n".join([*lines, _method(document), ADVICE])


def _method(document: dict[str, Any]) -> str:
    reading = document["read_minutes"]
    charged = f"read for {reading:g} min each" if reading else "the minutes of reading not counted"
    return (
        "one fault in a span, by length and rate; an indicator trips for a fault beyond it in "
        f"{document['sensitivity']:.0%} and stays quiet for another in {document['specificity']:.0%} (planning "
        f"figures), {charged}; then the best plan with true tests. One place after the other is a heuristic unless it "
        "says that no set does better."
    )


def _figures(minutes: dict[str, float | None]) -> str:
    year = minutes["per_year"]
    return f"{minutes['per_failure']:,.1f} a failure" + ("" if year is None else f", {year:,.1f} a year")


def _show_progress(done: float) -> None:
    """Count on a terminal, where a person watches; nothing in a file or a pipe."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{done:4.0%}" + ("\n" if done >= 1.0 else ""))
        sys.stderr.flush()


def add_commands(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("indicators")(ask_places)
