"""The commands that put a case's order, and its plan for the truck, on paper."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from loopmend.cli.answers import answering, print_json
from loopmend.cli.cases import AsJson, CaseId, Folder, StoreUrl, app
from loopmend.workbench.desk import open_desk
from loopmend.workbench.plan_sheets import LEAST_P_ON_PAPER, write_plan_sheet
from loopmend.workbench.sheets import write_order_sheet


class PaperSize(StrEnum):
    """Paper that the PDF is made for, landscape."""

    LETTER = "letter"
    A4 = "a4"


class Unit(StrEnum):
    """Unit of the lengths on the one-line."""

    FEET = "ft"
    METRES = "m"


@app.command()
@answering
def sheet(
    case_id: CaseId,
    order_id: Annotated[str, typer.Argument(metavar="ORDER", help="Order id, for example O1.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where to: FILE.pdf, or FILE.html for offline.")],
    paper: Annotated[PaperSize, typer.Option(help="Paper of the PDF.")] = PaperSize.LETTER,
    unit: Annotated[Unit, typer.Option(help="Unit of lengths.")] = Unit.FEET,
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Put an order on paper, to be carried and signed: steps, cautions, one-line, who stays out, signatures so far.

    Clock times are local, with their offset from UTC. The same order at the same log version gives the same PDF.
    Example: loopmend case sheet C-0001 O1 --out order.pdf
    """
    desk = open_desk(folder, store)
    document = write_order_sheet(desk, case_id, order_id, out, paper=paper.value, unit=unit.value)
    if as_json:
        print_json(document)
    else:
        typer.echo(
            f"{document['out']}: order {order_id} of {case_id} ({document['status']}), {document['steps']} steps, "
            f"log version {document['version']}"
        )


@app.command("plan-sheet")
@answering
def plan_sheet(
    case_id: CaseId,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where to: FILE.pdf, or FILE.html for offline.")],
    paper: Annotated[PaperSize, typer.Option(help="Paper of the PDF.")] = PaperSize.LETTER,
    unit: Annotated[Unit, typer.Option(help="Unit of lengths.")] = Unit.FEET,
    least_share: Annotated[
        float, typer.Option(min=1e-6, max=1.0, help="Leave out places less likely than this, where tests are doubtful.")
    ] = LEAST_P_ON_PAPER,
    folder: Folder = None,
    store: StoreUrl = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Put the plan on paper for the truck, so that the crew can go on without contact: if bad go to 7, if good to 2.

    Where tests are doubtful this takes seconds; Ctrl-C ends it, and the sheet then says that it is not whole.
    Example: loopmend case plan-sheet C-0001 --out plan.pdf
    """
    desk = open_desk(folder, store)
    document = write_plan_sheet(desk, case_id, out, paper=paper.value, unit=unit.value, least_p=least_share)
    if as_json:
        print_json(document)
    else:
        whole = "whole" if document["whole"] else "not whole, see its notes"
        typer.echo(
            f"{document['out']}: plan of {case_id}, {document['places']} numbered places ({whole}), "
            f"log version {document['version']}"
        )
