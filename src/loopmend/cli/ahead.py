"""The command that asks every span who would stay out if it failed at peak."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from loopmend.cli import STOPPED
from loopmend.cli.answers import answering, print_json
from loopmend.cli.render import ADVICE
from loopmend.cli.studies import (
    AsJson,
    CircuitPath,
    Demand,
    FieldMap,
    Frequency,
    LowestVolts,
    OnOff,
    PowerFactor,
)
from loopmend.workbench.contingency import failures_ahead, write_ahead_csv
from loopmend.workbench.outage import LoadStudy

SHOWN = 20


@answering
def ask_ahead(
    circuit: CircuitPath,
    limits: Annotated[OnOff, typer.Option(help="Keep within ampacity, source limits and lowest volts.")] = OnOff.ON,
    demand: Demand = 1.0,
    power_factor: PowerFactor = 0.9,
    lowest_volts_pu: LowestVolts = 0.95,
    frequency_hz: Frequency = 60.0,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write a row per span here (CSV).")] = None,
    field_map: FieldMap = None,
    *,
    as_json: AsJson = False,
) -> int:
    """Ask of every span: if it failed at peak, who could not be brought back, and what stands in the way.

    Stopped with Ctrl-C it gives the answers so far, and says that they are not all.
    Example: loopmend failures-ahead sample_data/tern_hollow.gpkg
    """
    load = LoadStudy(
        limits=limits is OnOff.ON,
        demand=demand,
        power_factor=power_factor,
        lowest_volts_pu=lowest_volts_pu,
        frequency_hz=frequency_hz,
    )
    document = failures_ahead(circuit, load=load, field_map=field_map, out=out, progress=_show_progress)
    if sys.stderr.isatty():
        typer.echo(err=True)  # the answer begins on a line of its own, stopped or not
    if out is not None:
        write_ahead_csv(document, out)
    if as_json:
        print_json(document)
    else:
        typer.echo(ahead_text(document))
    return 0 if document["complete"] else STOPPED


def ahead_text(document: dict[str, Any]) -> str:
    """Write the spans whose failure would leave somebody out, the worst first."""
    counts = document["counts"]
    asked = sum(counts.values())
    lines = [
        f"{asked} of {document['spans_in_circuit']} spans asked, at {document['demand']:g} of installed kVA"
        + ("" if document["complete"] else "; stopped before the end"),
        f"everybody comes back: {counts['nobody']}; a limit keeps somebody out: {counts['by limit']}; "
        f"no second way: {counts['no way']}; no answer: {counts['no answer']}",
    ]
    by_id = {one["id"]: one for one in document["spans"]}
    for name in document["worst"][:SHOWN]:
        lines += _told(by_id[name])
    if len(document["worst"]) > SHOWN:
        lines.append(f"and {len(document['worst']) - SHOWN} more")
    lines += [f"no answer for {one['id']}: {one['refused']}" for one in document["spans"] if one["refused"]]
    lines += [f"in the normal arrangement: {violation['says']}" for violation in document["normal_violations"]]
    unproven = sum(not one["exact"] for one in document["spans"])
    if unproven:
        lines.append(f"{unproven} by a heuristic: more may come back than said")
        lines += [f"  {one['id']}: {one['proof']}" for one in document["spans"] if not one["exact"]][:SHOWN]
    return "\n".join([*lines, ADVICE])


def _told(one: dict[str, Any]) -> list[str]:
    critical = f" ({one['critical_left']} critical)" if one["critical_left"] else ""
    places = ", ".join(place["id"] for place in one["left_out"])
    lines = [f"  {one['id']}: {one['customers_left']} of {one['customers_out']} customers{critical} stay out: {places}"]
    limits = [limit["says"] for limit in one["limits"]]
    return lines + [f"      {says}" for says in limits or dict.fromkeys(place["why"] for place in one["left_out"])]


def _show_progress(done: int, total: int) -> None:
    """Count on a terminal, where a person watches; nothing in a file or a pipe."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{done} of {total} spans")
        sys.stderr.flush()


def add_commands(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("failures-ahead")(ask_ahead)
