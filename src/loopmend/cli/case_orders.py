"""Commands on the switching orders of a recorded case: draft, approve, sign, hand over, stop."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from loopmend.cli.answers import answering, print_json
from loopmend.cli.cases import AsJson, By, CaseId, CommandId, Folder, StoreUrl, Version, app, submit
from loopmend.cli.render_ways import ways_text
from loopmend.workbench import requests
from loopmend.workbench.desk import open_desk
from loopmend.workbench.other_readings import measured_at_step
from loopmend.workbench.ways import MOST_WAYS, WaysAsked, case_ways, draft_of_way

OrderId = Annotated[str, typer.Argument(metavar="ORDER", help="Order id, for example O1.")]
OutMinutes = Annotated[
    float | None, typer.Option(min=0.0, help="Minutes out: bring the cold load back in stages that fit.")
]
Reason = Annotated[str, typer.Option(help="Why, in a few words.")]


class Purpose(StrEnum):
    """What an order is for."""

    RESTORE = "restore"
    GROUND = "ground"
    RETURN = "return"
    RELEASE = "release"


@app.command()
@answering
def ways(
    case_id: CaseId,
    most: Annotated[int, typer.Option(min=1, max=12, help="How many to list.")] = MOST_WAYS,
    out_minutes: OutMinutes = None,
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """List the ways to restore, the best first, with what each takes and loads.

    Example: loopmend case ways C-0001 --out-minutes 90
    """
    document = case_ways(open_desk(folder, store), case_id, WaysAsked(most=most, out_minutes=out_minutes))
    if as_json:
        print_json(document)
    else:
        typer.echo(ways_text(document["ways"]), nl=False)


@app.command()
@answering
def draft(
    case_id: CaseId,
    purpose: Annotated[Purpose, typer.Argument(metavar="PURPOSE", help="restore, ground, return or release.")],
    by: By,
    way: Annotated[
        int | None, typer.Option(min=1, max=12, help="To restore: the way by its number in `case ways`.")
    ] = None,
    out_minutes: OutMinutes = None,
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Draft an order: isolate and restore, make the faulted span safe for work, return to normal, or only release.

    Example: loopmend case draft C-0001 restore --by "N. Adair"
    """
    request = requests.DraftOrder(purpose=purpose.value, out_minutes=out_minutes)
    if way is not None:
        request = draft_of_way(open_desk(folder, store), case_id, way, out_minutes)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def approve(
    case_id: CaseId,
    order_id: OrderId,
    by: By,
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Approve a drafted order in one's own name.

    Example: loopmend case approve C-0001 O1 --by "M. Sorley"
    """
    submit(case_id, requests.ApproveOrder(order_id=order_id), by, folder, store, version, command_id, as_json)


@app.command()
@answering
def sign(
    case_id: CaseId,
    order_id: OrderId,
    n: Annotated[int, typer.Argument(metavar="STEP", help="Number of the step.")],
    by: By,
    confirmed_by: Annotated[str, typer.Option(help="Who confirmed it.")] = "",
    found: Annotated[str, typer.Option(help="What was found, where it matters.")] = "",
    across_kv: Annotated[
        list[float] | None, typer.Option(help="Phasing: kV across the open point, once per phase of the span.")
    ] = None,
    side_a_kv: Annotated[
        list[float] | None, typer.Option(help="Phasing: kV to ground on the span's side, as often.")
    ] = None,
    side_b_kv: Annotated[
        list[float] | None, typer.Option(help="Phasing: kV of the bushing to ground, as often.")
    ] = None,
    presence_kv: Annotated[float | None, typer.Option(help="Proof of no voltage: what the tester showed, kV.")] = None,
    tester_proven: Annotated[  # noqa: FBT002 - an option of a command
        bool, typer.Option("--tester-proven", help="The tester showed a live source right before and right after.")
    ] = False,
    record: Annotated[str, typer.Option(help="Hold point: the record it waits for, an id such as V3, or repair.")] = "",
    done_by: Annotated[str, typer.Option(help="Called in by radio: who did it, where that is not --by.")] = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Sign off the step that is due, confirmed by another person where it takes two.

    One that compares phases needs the readings, per phase in the order A, B, C; a test for voltage the tester's.
    Example: loopmend case sign C-0001 O1 1 --by "J. Orme" --confirmed-by "T. Vance"
    """
    desk = open_desk(folder, store)
    sides = (across_kv or (), side_a_kv or (), side_b_kv or ())
    measured = measured_at_step(desk, case_id, order_id, n, sides, presence_kv=presence_kv, tester_proven=tester_proven)
    if record:
        measured = {**measured, "record": record}
    request = requests.SignStep(
        order_id=order_id, n=n, confirmed_by=confirmed_by, found=found, measured=measured, done_by=done_by
    )
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def stop(
    case_id: CaseId,
    order_id: OrderId,
    by: By,
    reason: Reason,
    step: Annotated[int, typer.Option(min=0, help="The step that is due, where it is not as expected.")] = 0,
    presence_kv: Annotated[float | None, typer.Option(help="What the tester showed there, kV.")] = None,
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Stop an order; the next draft starts from the positions as they are.

    Example: loopmend case stop C-0001 O1 --reason "elbow will not seat" --by "J. Orme"
    """
    read = {} if presence_kv is None else {"reading_kv": presence_kv}
    request = requests.StopOrder(order_id=order_id, reason=reason, n=step, measured=read)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def transfer(
    case_id: CaseId,
    by: By,
    holder: Annotated[str, typer.Option(help="Who holds clearances and tags now.")],
    to: Annotated[str, typer.Option(help="Who takes them over.")],
    reason: Reason = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record that one person took over the clearances and tags of another.

    Example: loopmend case transfer C-0001 --holder "J. Orme" --to "T. Vance" --reason "end of shift" --by "N. Adair"
    """
    request = requests.TransferClearance(holder=holder, to=to, reason=reason)
    submit(case_id, request, by, folder, store, version, command_id, as_json)
