"""Commands that answer a question about a circuit and record nothing: check, plan, restore, history, judge."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from loopmend.cli import STOPPED, render, render_ways
from loopmend.cli.answers import JSON_OPTION, answering, print_json
from loopmend.cli.progress import watched_search
from loopmend.cli.render_tree import tree_text
from loopmend.workbench import outage, plan_tree, studies, ways

CircuitPath = Annotated[
    Path, typer.Argument(metavar="CIRCUIT", exists=True, help="GeoPackage, or folder of GIS layers.")
]
FieldMap = Annotated[
    Path | None, typer.Option("--field-map", exists=True, dir_okay=False, help="TOML: whose columns, units and codes.")
]
CaseFile = Path
AsJson = Annotated[bool, JSON_OPTION]
Demand = Annotated[float, typer.Option(help="Share of installed kVA drawn, 0 or more.")]
PowerFactor = Annotated[float, typer.Option(help="Power factor of that load, above 0, at most 1.")]
LowestVolts = Annotated[float, typer.Option(help="Lowest voltage allowed, per unit, 0 to 2.")]
Frequency = Annotated[float, typer.Option(help="System frequency, for cable charging.")]


class Objective(StrEnum):
    """What a plan makes as small as it can."""

    CREW = "crew-minutes"
    CUSTOMER = "customer-minutes"


class RestorationWay(StrEnum):
    """How customers come back while the search goes on."""

    IN_PLACE = "in-place"
    GO_AND_RETURN = "go-and-return"


class OnOff(StrEnum):
    """A switch on the command line."""

    ON = "on"
    OFF = "off"


@answering
def check(circuit: CircuitPath, field_map: FieldMap = None, *, as_json: AsJson = False) -> int:
    """Check a circuit's layers and list every fault of the data by asset.

    Example: loopmend check sample_data/tern_hollow.gpkg
    """
    document = studies.check(circuit, field_map=field_map)
    if as_json:
        print_json(document)
    else:
        typer.echo(render.check_text(document))
    if document["problems"]:
        typer.echo(f"refused: {render.count(document['problems'], 'problem')} to correct, listed above", err=True)
        return 1
    return 0


@answering
def plan(
    circuit: CircuitPath,
    case: Annotated[Path, typer.Option("--case", exists=True, dir_okay=False, help="Case file (JSON).")],
    objective: Annotated[Objective, typer.Option(help="What to make small.")] = Objective.CUSTOMER,
    restoration: Annotated[RestorationWay, typer.Option(help="How customers come back.")] = RestorationWay.IN_PLACE,
    field_map: FieldMap = None,
    *,
    tree: Annotated[bool, typer.Option("--tree", help="Walk the whole plan ahead: if bad, then ...")] = False,
    as_json: AsJson = False,
) -> None:
    """Say where the fault may be, the next move and why, and what the whole plan is expected to take.

    Example: loopmend plan sample_data/tern_hollow.gpkg --case sample_data/case.json
    """
    ask = plan_tree.plan_with_tree if tree else outage.plan
    document = ask(circuit, case, objective=objective.value, restoration=restoration.value, field_map=field_map)
    if as_json:
        print_json(document)
        return
    typer.echo(render.plan_text(document))
    if tree:
        typer.echo(tree_text(document["tree"]))


@answering
def restore(
    circuit: CircuitPath,
    fault: Annotated[list[str], typer.Option("--fault", metavar="SPAN", help="Faulted span; may be repeated.")],
    case: Annotated[Path | None, typer.Option("--case", exists=True, dir_okay=False, help="Case file (JSON).")] = None,
    limits: Annotated[OnOff, typer.Option(help="Keep within ampacity, source limits and lowest volts.")] = OnOff.ON,
    demand: Demand = 1.0,
    power_factor: PowerFactor = 0.9,
    lowest_volts_pu: LowestVolts = 0.95,
    frequency_hz: Frequency = 60.0,
    alternatives: Annotated[int, typer.Option(help="List so many ways to restore, ranked; 12 at most.")] = 0,
    out_minutes: Annotated[
        float | None, typer.Option(help="Minutes out: bring the cold load back in stages that fit.")
    ] = None,
    pickup_curve: Annotated[
        Path | None, typer.Option(exists=True, dir_okay=False, help="CSV of minutes, factor: cold-load pickup.")
    ] = None,
    field_map: FieldMap = None,
    *,
    as_json: AsJson = False,
) -> int:
    """Isolate faulted spans and bring back the most customers, critical ones first, with the fewest operations.

    Stopped with Ctrl-C it gives the best found so far, and says how far from the best that may be.
    Example: loopmend restore sample_data/tern_hollow.gpkg --fault S-0107
    """
    with watched_search() as progress:
        document = outage.restore(
            circuit,
            tuple(fault),
            case=case,
            study=outage.LoadStudy(
                limits=limits is OnOff.ON,
                demand=demand,
                power_factor=power_factor,
                lowest_volts_pu=lowest_volts_pu,
                frequency_hz=frequency_hz,
            ),
            ways=ways.WaysOptions(most=alternatives, out_minutes=out_minutes, pickup_curve=pickup_curve),
            field_map=field_map,
            go_on=progress.go_on,
        )
    if as_json:
        print_json(document)
    else:
        typer.echo(render.restore_text(document))
        typer.echo(render_ways.ways_text(document.get("alternatives", [])), nl=False)
    return STOPPED if progress.stopped else 0


@answering
def history(
    circuit: CircuitPath,
    failures: Annotated[Path | None, typer.Option("--failures", exists=True, help="CSV or layer of failures.")] = None,
    by: Annotated[
        str, typer.Option(help="Group by, with commas: insulation, construction, vintage, component, cause.")
    ] = "",
    since: Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"], help="First day of the study.")] = None,
    until: Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Last day of the study.")] = None,
    field_map: FieldMap = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Study past failures: rates by group with exact intervals, spans by expected failures, reliability indices.

    Without --failures, the circuit's own `failures` layer is used.
    Example: loopmend history sample_data/tern_hollow.gpkg --by insulation
    """
    document = studies.history(
        circuit,
        failures,
        by=tuple(by.split(",")) if by else (),
        window=(since.date() if since else None, until.date() if until else None),
        field_map=field_map,
    )
    if as_json:
        print_json(document)
    else:
        typer.echo(render.history_text(document))


@answering
def judge(
    readings: Annotated[Path, typer.Argument(metavar="READINGS", exists=True, dir_okay=False, help="t_s, reading_kv.")],
    source_kv: Annotated[float, typer.Option(help="Reading with the cable at zero (full source), kV.")],
    length_m: Annotated[float | None, typer.Option(help="Length of cable under test, m.")] = None,
    set_mohm: Annotated[float | None, typer.Option(help="Resistance of the test set, megohm.")] = None,
    c_nf_per_km: Annotated[float | None, typer.Option(help="Capacitance of the cable, nF per km.")] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Turn a series of readings of a source-voltage hipot into a verdict, with its reasons.

    Example: loopmend judge sample_data/readings/good.csv --source-kv 8
    """
    document = studies.judge(
        readings, source_kv=source_kv, length_m=length_m, set_mohm=set_mohm, c_nf_per_km=c_nf_per_km
    )
    if as_json:
        print_json(document)
    else:
        typer.echo(render.verdict_text(document))


def add_commands(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    for command in (check, plan, restore, history, judge):
        app.command()(command)
