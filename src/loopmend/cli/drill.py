"""Commands of drills: hide a fault, take tests as in the field, end the drill and see the paths side by side."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Annotated, Any

import typer

from loopmend.cli import render_drill
from loopmend.cli.answers import JSON_OPTION, answering, print_json
from loopmend.cli.cases import By, CommandId, Folder, StoreUrl
from loopmend.workbench import drill_steps
from loopmend.workbench.desk import open_desk
from loopmend.workbench.drill_review import drill_document, drills_document, end_drill
from loopmend.workbench.drills import AskedTest, Difficulty, answer_document, start_drill, take_test

app = typer.Typer(
    help="Practise on a hidden fault: nothing is real. The drill's case is worked like any other (loopmend case).",
    no_args_is_help=True,
)
DrillId = Annotated[str, typer.Argument(metavar="CASE", help="Id of the drill, as `drill list` shows it.")]
Spans = Annotated[list[str], typer.Argument(metavar="SPAN...", help="Span ids.")]
At = Annotated[str, typer.Option("--at", metavar="ENCLOSURE", help="Where it is done.")]
Record = Annotated[bool, typer.Option("--record", help="Record in the drill's case what it looks like.")]
AsJson = Annotated[bool, JSON_OPTION]


@app.command()
@answering
def start(
    circuit: Annotated[str, typer.Argument(metavar="CIRCUIT", help="Path of the layers, or name of a kept circuit.")],
    by: By,
    operated: Annotated[list[str], typer.Option("--operated", help="Source whose device opened.")],
    seed: Annotated[int | None, typer.Option(help="Hide the same fault again; told at the end of a drill.")] = None,
    crew_at: Annotated[str, typer.Option(help="Enclosure where the crew stands.")] = "",
    doubles: Annotated[bool, typer.Option("--doubles/--no-doubles", help="Two faults may be hidden.")] = True,  # noqa: FBT002
    equipment: Annotated[  # noqa: FBT002 - an option of a command
        bool, typer.Option("--equipment/--no-equipment", help="Faulted equipment may be hidden.")
    ] = True,
    gone: Annotated[bool, typer.Option("--gone/--no-gone", help="The fault may have burned clear.")] = True,  # noqa: FBT002
    folder: Folder = None,
    store: StoreUrl = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Start a drill: a case in which a fault is hidden.

    Example: loopmend drill start sample_data/tern_hollow.gpkg --operated R-101 --by "J. Orme"
    """
    desk = open_desk(folder, store)
    difficulty = Difficulty(doubles=doubles, equipment=equipment, gone=gone)
    case_id = start_drill(
        desk,
        circuit,
        operated,
        actor=by,
        seed=seed,
        difficulty=difficulty,
        crew_at=crew_at,
        command_id=command_id,
    )
    _answer(drill_steps.started_document(desk, case_id), render_drill.started_text, as_json=as_json)


@app.command("list")
@answering
def list_all(folder: Folder = None, store: StoreUrl = None, *, as_json: AsJson = False) -> None:
    """List the drills, those under way first; says nothing of what is hidden.

    Example: loopmend drill list
    """
    _answer(drills_document(open_desk(folder, store)), render_drill.list_text, as_json=as_json)


@app.command("test")
@answering
def make_test(
    case_id: DrillId,
    spans: Spans,
    by: By,
    at: At = "",
    method: Annotated[str, typer.Option(help="Test method, for example hipot.")] = "hipot",
    enclosure: Annotated[list[str] | None, typer.Option(help="Equipment joined to the spans; repeatable.")] = None,
    windings_on: Annotated[  # noqa: FBT002 - an option of a command
        bool, typer.Option("--windings-on", help="Transformers between the spans stay on: not joined past them.")
    ] = False,
    source_kv: Annotated[float | None, typer.Option(min=0.1, help="Reading at full source, kV.")] = None,
    set_mohm: Annotated[float | None, typer.Option(min=0.1, help="Resistance of the test set, megohm.")] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write the readings as CSV, to be judged by `case test`."),
    ] = None,
    record: Record = False,  # noqa: FBT002 - an option of a command
    gates_ticked: Annotated[  # noqa: FBT002 - an option of a command
        bool, typer.Option("--gates-ticked", help="With --record: isolated, proven dead, called, all confirmed.")
    ] = False,
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Make a test in a drill: prints what the instrument shows and what it looks like. You judge.

    Record your verdict with `case test`, or let --record take what it looks like.
    Example: loopmend drill test D-0001 S-0104 S-0105 --at P-2203 --by "J. Orme"
    """
    desk = open_desk(folder, store)
    asked = AskedTest(spans=tuple(spans), method=method, enclosures=tuple(enclosure or ()), windings=windings_on)
    given = drill_steps.gear_of(desk, case_id, spans, source_kv=source_kv, set_mohm=set_mohm)
    taken = take_test(desk, case_id, asked, actor=by, at=at, given=given)
    document = answer_document(case_id, taken, at, method)
    if out is not None:
        _write_readings(out, document["readings"])
    if record:
        document["recorded"] = drill_steps.record_test(desk, case_id, asked, taken, actor=by, at=at, field=gates_ticked)
    _answer(document, render_drill.answer_text, as_json=as_json)


@app.command("indicator")
@answering
def read_indicator(
    case_id: DrillId,
    span: Annotated[str, typer.Argument(metavar="SPAN", help="Span on whose elbow it is mounted.")],
    end: Annotated[str, typer.Argument(metavar="END", help="from or to.")],
    by: By,
    at: At = "",
    record: Record = False,  # noqa: FBT002 - an option of a command
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Read a fault indicator in a drill.

    Example: loopmend drill indicator D-0001 S-0104 from --at P-2203 --by "J. Orme"
    """
    desk = open_desk(folder, store)
    document = drill_steps.read_indicator(desk, case_id, span, end, actor=by, at=at, record=record)
    _answer(document, render_drill.answer_text, as_json=as_json)


@app.command()
@answering
def energize(
    case_id: DrillId,
    spans: Spans,
    by: By,
    enclosure: Annotated[list[str] | None, typer.Option(help="Equipment made alive with it; repeatable.")] = None,
    at: At = "",
    record: Record = False,  # noqa: FBT002 - an option of a command
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Energize a stretch in a drill: it holds, or the fuse blows.

    Example: loopmend drill energize D-0001 S-0101 --at R-101 --by "J. Orme"
    """
    desk = open_desk(folder, store)
    asked = AskedTest(spans=tuple(spans), method="energize", enclosures=tuple(enclosure or ()))
    document = drill_steps.energize(desk, case_id, asked, actor=by, at=at, record=record)
    _answer(document, render_drill.answer_text, as_json=as_json)


@app.command()
@answering
def end(
    case_id: DrillId,
    by: By,
    note: Annotated[str, typer.Option(help="A few words.")] = "",
    folder: Folder = None,
    store: StoreUrl = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """End a drill: what was hidden, your path beside the plan's and half-splitting, and where minutes were lost.

    Example: loopmend drill end D-0001 --by "J. Orme"
    """
    document = end_drill(open_desk(folder, store), case_id, actor=by, note=note, command_id=command_id)
    _answer(document, render_drill.drill_text, as_json=as_json)


@app.command()
@answering
def review(case_id: DrillId, folder: Folder = None, store: StoreUrl = None, *, as_json: AsJson = False) -> None:
    """Look at an ended drill again.

    Example: loopmend drill review D-0001
    """
    _answer(drill_document(open_desk(folder, store), case_id), render_drill.drill_text, as_json=as_json)


def _answer(document: dict[str, Any], say: Any, *, as_json: bool) -> None:
    if as_json:
        print_json(document)
    else:
        typer.echo(say(document))


def _write_readings(path: Path, readings: list[list[float]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["t_s", "reading_kv"])
        writer.writerows(readings)
