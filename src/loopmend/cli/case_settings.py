"""Commands that say where the crew stands, and what the plan of a case is reckoned with."""

from __future__ import annotations

from typing import Annotated

import typer

from loopmend.cli.answers import answering, print_json
from loopmend.cli.cases import AsJson, By, CaseId, CommandId, Folder, StoreUrl, Version, app, submit
from loopmend.workbench import requests
from loopmend.workbench.desk import open_desk
from loopmend.workbench.plan_settings import request_of, say_value, settings_document


@app.command()
@answering
def crew(
    case_id: CaseId,
    at: Annotated[str, typer.Option("--at", metavar="ENCLOSURE", help="Where the crew stands now.")],
    by: By,
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Say where the crew stands; the next move is reckoned from there.

    Example: loopmend case crew C-0001 --at P-2203 --by "J. Orme"
    """
    submit(case_id, requests.MoveCrew(enclosure=at), by, folder, store, version, command_id, as_json)


@app.command()
@answering
def settings(
    case_id: CaseId,
    changes: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="Change one setting; may be repeated.")
    ] = None,
    reason: Annotated[str, typer.Option(help="Why, in a few words.")] = "",
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who changes it; kept in the record.")] = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Show what the plan is reckoned with, or change some of it.

    Example: loopmend case settings C-0001 --set travel_m_per_min=200 --reason "snow on the road" --by "N. Adair"
    """
    desk = open_desk(folder, store)
    if changes:
        request = request_of(desk, case_id, changes, reason, by)
        submit(case_id, request, by, folder, store, version, command_id, as_json)
        return
    document = settings_document(desk, case_id)
    if as_json:
        print_json(document)
        return
    for row in document["settings"]:
        typer.echo(f"{row['name']} = {say_value(row['value']) or 'none'}  ({row['label']})")
