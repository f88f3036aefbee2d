"""Commands that add to a recorded case."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loopmend.cli.answers import answering
from loopmend.cli.cases import AsJson, By, CaseId, CommandId, Folder, StoreUrl, Version, app, submit
from loopmend.workbench import requests
from loopmend.workbench.called_tests import CalledTest, called_record
from loopmend.workbench.desk import open_desk
from loopmend.workbench.testing import STATEMENTS
from loopmend.workbench.windings import end_request, winding_request

Spans = Annotated[list[str], typer.Argument(metavar="SPAN...", help="Span ids.")]
OrderId = Annotated[str, typer.Argument(metavar="ORDER", help="Order id, for example O1.")]
At = Annotated[str, typer.Option("--at", metavar="ENCLOSURE", help="Where it was done.")]
Note = Annotated[str, typer.Option(help="A few words.")]
Reason = Annotated[str, typer.Option(help="Why, in a few words.")]


@app.command("test")
@answering
def record_test(
    case_id: CaseId,
    spans: Spans,
    by: By,
    verdict: Annotated[
        str, typer.Option(help="good, breakdown, bolted, leakage or inconclusive; default: what the readings say.")
    ] = "",
    method: Annotated[str, typer.Option(help="Test method, for example hipot.")] = "hipot",
    readings: Annotated[
        Path | None, typer.Option(exists=True, dir_okay=False, help="Readings (t_s, reading_kv), judged and kept.")
    ] = None,
    source_kv: Annotated[float | None, typer.Option(min=0.1, help="Reading at full source, kV.")] = None,
    set_mohm: Annotated[float | None, typer.Option(min=0.1, help="Resistance of the test set, megohm.")] = None,
    swung: Annotated[
        bool | None, typer.Option("--swung/--not-swung", help="Whether the display was seen to jump back up.")
    ] = None,
    overrule_reason: Annotated[str, typer.Option(help="Why the verdict differs from what the readings say.")] = "",
    gates_ticked: Annotated[  # noqa: FBT002 - an option of a command
        bool, typer.Option("--gates-ticked", help="Isolated at both ends, proven dead, called: all confirmed.")
    ] = False,
    said: Annotated[
        list[str] | None, typer.Option(help=f"What holds there ({', '.join(STATEMENTS)}); may be repeated.")
    ] = None,
    vouched_by: Annotated[str, typer.Option(help="Who called it in by radio and vouches for it.")] = "",
    phases: Annotated[str, typer.Option(help="Phases under test, for example A or BC; default: all.")] = "",
    at: At = "",
    note: Note = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record a test of one span, or of several in a row.

    Without --gates-ticked or --vouched-by the log says that the gates were not stated; with either, the drain is due.
    Example: loopmend case test C-0001 S-0106 S-0107 --method hipot --verdict breakdown --at P-2205 --by "J. Orme"
    """
    called = CalledTest(
        spans=tuple(spans),
        method=method,
        verdict=verdict,
        at=at,
        note=note,
        readings=readings,
        source_kv=source_kv,
        set_mohm=set_mohm,
        swung=swung,
        overrule_reason=overrule_reason,
        gates_ticked=gates_ticked,
        said=tuple(said or ()),
        vouched_by=vouched_by,
        phases=phases,
    )
    request = called_record(open_desk(folder, store), case_id, called)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command("indicator")
@answering
def record_indicator(
    case_id: CaseId,
    span: Annotated[str, typer.Argument(metavar="SPAN", help="Span on whose elbow it is mounted.")],
    end: Annotated[str, typer.Argument(metavar="END", help="from or to.")],
    state: Annotated[str, typer.Argument(metavar="STATE", help="tripped, not_tripped or not_seen.")],
    by: By,
    at: At = "",
    note: Note = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record what a fault indicator shows.

    Example: loopmend case indicator C-0001 S-0106 from tripped --at P-2205 --by "J. Orme"
    """
    evidence = {"kind": "indicator", "span": span, "end": end, "state": state}
    request = requests.RecordEvidence(evidence=evidence, at_enclosure=at, note=note)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def energized(
    case_id: CaseId,
    spans: Spans,
    by: By,
    held: Annotated[bool, typer.Option("--held/--not-held", help="Whether the stretch stayed alive.")],
    enclosure: Annotated[list[str] | None, typer.Option(help="Equipment made alive with it; repeatable.")] = None,
    at: At = "",
    note: Note = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record that a stretch was energized, and whether it held.

    Equipment at an end of the stretch may have been left parked: name what was made alive too.
    Example: loopmend case energized C-0001 S-0101 S-0102 --enclosure P-2201 --held --by "J. Orme"
    """
    evidence = {"kind": "energized", "spans": spans, "held": held} | ({"enclosures": enclosure} if enclosure else {})
    request = requests.RecordEvidence(evidence=evidence, at_enclosure=at, note=note)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def drain(
    case_id: CaseId,
    evidence_id: Annotated[str, typer.Argument(metavar="RECORD", help="Record id of the test, for example V3.")],
    by: By,
    reading_kv: Annotated[float, typer.Option(help="Last reading of the display, kV.")] = 0.0,
    never_charged: Annotated[str, typer.Option(help="For a withdrawn test: why there is nothing to drain.")] = "",
    at: At = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    ground_on: Annotated[bool, typer.Option("--ground-on/--no-ground", help="Whether the ground is on.")] = False,
    as_json: AsJson = False,
) -> None:
    """Record that a tested stretch is drained down to zero and grounded; due after a test recorded in the field.

    Example: loopmend case drain C-0001 V3 --reading-kv 0 --ground-on --at P-2205 --by "J. Orme"
    """
    request = requests.RecordDrain(
        evidence_id=evidence_id,
        reading_kv=reading_kv,
        ground_on=ground_on,
        at_enclosure=at,
        never_charged=never_charged,
    )
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def withdraw(
    case_id: CaseId,
    evidence_id: Annotated[str, typer.Argument(metavar="RECORD", help="Record id, for example V2.")],
    by: By,
    reason: Reason,
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Take a record back; it stays in the log with the reason.

    Example: loopmend case withdraw C-0001 V2 --reason "read at the wrong elbow" --by "J. Orme"
    """
    request = requests.WithdrawEvidence(evidence_id=evidence_id, reason=reason)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def switch(
    case_id: CaseId,
    span: Annotated[str, typer.Argument(metavar="SPAN", help="Span whose end is moved: its elbow or switch.")],
    end: Annotated[str, typer.Argument(metavar="END", help="from or to.")],
    state: Annotated[
        str, typer.Argument(metavar="STATE", help="open (parked), closed, grounded or joined (on the feed-through).")
    ],
    by: By,
    reason: Reason = "",
    conductor: Annotated[
        str, typer.Option(help="What is moved: phase letters or neutral. Allowed are all phases together, the default.")
    ] = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    found: Annotated[bool, typer.Option("--found", help="Nobody moved it: it was found so.")] = False,
    as_json: AsJson = False,
) -> None:
    """Record an elbow moved while sectionalizing, outside an order; the interlock checks it.

    Two elbows joined at one enclosure pass supply on, past its equipment. Found so is a fact: it is kept whatever is
    alive, and needs a --reason. An end is moved on all its phases together; the neutral is never opened.
    Example: loopmend case switch C-0001 S-0106 from open --by "J. Orme"
    """
    request = end_request(span, end, state, reason, found=found, conductor=conductor)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def winding(
    case_id: CaseId,
    enclosure: Annotated[str, typer.Argument(metavar="ENCLOSURE", help="Enclosure of the transformer.")],
    state: Annotated[str, typer.Argument(metavar="STATE", help="out or in (moved); blown or whole (found so).")],
    by: By,
    reason: Reason = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record the winding fuse of a transformer taken out or put in, outside an order, or how it was found.

    Moving it is checked by the interlock. Found blown is a fact: it is kept, and its customers count as out. Found
    whole, where the record has it out, needs a --reason.
    Example: loopmend case winding C-0001 P-2205 blown --by "J. Orme"
    """
    request = winding_request(enclosure, state, reason)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def declare(
    case_id: CaseId,
    spans: Annotated[
        list[str], typer.Argument(metavar="FAULTED...", help="Span ids, or ids of enclosures for their equipment.")
    ],
    by: By,
    reason: Reason = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Declare the faulted span, or equipment, in one's own name; with a reason while suspicion is left elsewhere.

    Example: loopmend case declare C-0001 S-0106 --reason "dug up and seen" --by "N. Adair"
    """
    request = requests.DeclareFault(spans=tuple(spans), reason=reason)
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def repair(
    case_id: CaseId,
    span: Annotated[str, typer.Argument(metavar="REPAIRED", help="Span, or enclosure for its equipment.")],
    by: By,
    component: Annotated[str, typer.Option(help="cable, splice, termination, dig_in or equipment.")],
    cause: Annotated[str, typer.Option(help="Why it failed; unknown where it is not known.")],
    work: Annotated[str, typer.Option(help="What was done.")],
    proof_verdict: Annotated[str, typer.Option(help="Verdict of the proof test, as it came out.")],
    proof_method: Annotated[str, typer.Option(help="How it was proved.")] = "hipot",
    note: Note = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Record the repair of a faulted span, or of equipment, and its proof test.

    Example: loopmend case repair C-0001 S-0106 --component cable --cause age --work cut --proof-verdict good --by Orme
    """
    request = requests.RecordRepair(
        span=span,
        component=component,
        cause=cause,
        work=work,
        proof_method=proof_method,
        proof_verdict=proof_verdict,
        note=note,
    )
    submit(case_id, request, by, folder, store, version, command_id, as_json)


@app.command()
@answering
def close(
    case_id: CaseId,
    by: By,
    note: Note = "",
    folder: Folder = None,
    store: StoreUrl = None,
    version: Version = None,
    command_id: CommandId = None,
    *,
    as_json: AsJson = False,
) -> None:
    """Close the case: as left must equal as found, or the note must say why not.

    Example: loopmend case close C-0001 --by "N. Adair"
    """
    submit(case_id, requests.CloseCase(note=note), by, folder, store, version, command_id, as_json)
