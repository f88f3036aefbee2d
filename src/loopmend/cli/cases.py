"""Commands that work on a recorded case, from the first call to the closed record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from loopmend.cli import render_case
from loopmend.cli.answers import JSON_OPTION, answering, print_json
from loopmend.workbench import case_documents, cases
from loopmend.workbench.desk import Desk, open_desk

app = typer.Typer(
    help="Work on a recorded case: start, record, declare, draft, approve, sign, repair, close.",
    no_args_is_help=True,
)

CaseId = Annotated[str, typer.Argument(metavar="CASE", help="Case id, as `case list` shows it.")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who does it; kept in the record.")]
Folder = Annotated[
    Path | None, typer.Option("--folder", help="Folder of the record and circuits (default LOOPMEND_FOLDER).")
]
StoreUrl = Annotated[str | None, typer.Option("--store", help="Event store URL (default LOOPMEND_STORE).")]
Version = Annotated[
    int | None, typer.Option("--version", min=1, help="Refuse if the case has moved past this version.")
]
CommandId = Annotated[
    str | None, typer.Option("--command-id", help="Id of this submission: sent again, it counts once.")
]
AsJson = Annotated[bool, JSON_OPTION]


def show_case(desk: Desk, case_id: str, *, as_json: bool) -> None:
    """Print a case as it stands."""
    document = case_documents.case_document(desk, case_id)
    if as_json:
        print_json(document)
    else:
        typer.echo(render_case.case_text(document))


def submit(
    case_id: str,
    request: Any,
    by: str,
    folder: Path | None,
    store: str | None,
    version: int | None,
    command_id: str | None,
    as_json: bool,  # noqa: FBT001
) -> None:
    """Submit a request, and print the case as it stands afterwards."""
    desk = open_desk(folder, store)
    cases.submit(desk, case_id, request, actor=by, command_id=command_id, expected_version=version)
    show_case(desk, case_id, as_json=as_json)


@app.command("list")
@answering
def list_cases(folder: Folder = None, store: StoreUrl = None, *, as_json: AsJson = False) -> None:
    """List the cases, open ones first.

    Example: loopmend case list
    """
    document = case_documents.board_document(open_desk(folder, store))
    if as_json:
        print_json(document)
    else:
        typer.echo(render_case.board_text(document))


@app.command()
@answering
def start(
    circuit: Annotated[str, typer.Argument(metavar="CIRCUIT", help="Path of the layers, or name of a kept circuit.")],
    by: By,
    operated: Annotated[list[str] | None, typer.Option("--operated", help="Source whose device opened.")] = None,
    reported_out: Annotated[list[str] | None, typer.Option("--reported-out", help="Enclosure reported out.")] = None,
    case: Annotated[Path | None, typer.Option("--case", exists=True, dir_okay=False, help="Case file (JSON).")] = None,
    crew_at: Annotated[str, typer.Option(help="Enclosure where the crew stands.")] = "",
    title: Annotated[str, typer.Option(help="A few words on the trouble.")] = "",
    operated_phases: Annotated[
        str, typer.Option(help="Phases whose fuses operated, for example A or BC; default: all.")
    ] = "",
    folder: Folder = None,
    store: StoreUrl = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Open a case: say which device operated, or who is reported out; or hand in a case file.

    Example: loopmend case start sample_data/tern_hollow.gpkg --operated R-101 --by "N. Adair"
    """
    desk = open_desk(folder, store)
    asked = cases.Opening(
        operated=tuple(operated or ()),
        reported_out=tuple(reported_out or ()),
        crew_at=crew_at,
        title=title,
        assumptions={"operated_phases": operated_phases} if operated_phases else {},
    )
    case_id = cases.start_case(
        desk,
        circuit,
        asked,
        actor=by,
        case_file=case,
        command_id=command_id,
    )
    show_case(desk, case_id, as_json=as_json)


@app.command()
@answering
def show(case_id: CaseId, folder: Folder = None, store: StoreUrl = None, *, as_json: AsJson = False) -> None:
    """Show where a case stands: customers out, suspects, next move, order, record.

    Example: loopmend case show C-0001
    """
    show_case(open_desk(folder, store), case_id, as_json=as_json)


@app.command()
@answering
def log(case_id: CaseId, folder: Folder = None, store: StoreUrl = None, *, as_json: AsJson = False) -> None:
    """Print the log of a case: every event with who and when.

    Example: loopmend case log C-0001
    """
    document = case_documents.log_document(open_desk(folder, store), case_id)
    if as_json:
        print_json(document)
    else:
        typer.echo(render_case.log_text(document))
