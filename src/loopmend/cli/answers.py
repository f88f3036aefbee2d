"""Print an answer or a refusal, as text for people or as JSON for programs, and leave with the right exit code."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from typing import Any, ParamSpec

import typer

from loopmend.errors import LoopmendError

P = ParamSpec("P")
JSON_OPTION = typer.Option("--json", help="Print a JSON document instead of text.")


def print_json(document: dict[str, Any]) -> None:
    """Print a document as JSON: nothing else goes to standard output."""
    typer.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def refusal_document(error: LoopmendError) -> dict[str, Any]:
    """Lay a refusal out as the contract's document."""
    return {
        "format": "loopmend/refusal/1",
        "problems": [
            {"id": f.asset_id, "layer": f.layer, "problem": f.problem, "value": f.value, "remedy": f.remedy}
            for f in error.findings
        ],
    }


def answering(command: Callable[P, int | None]) -> Callable[P, None]:
    """Wrap a command: a `LoopmendError` becomes exit code 1 with its reasons, never a traceback."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
        except LoopmendError as error:
            if kwargs.get("as_json"):
                print_json(refusal_document(error))
            for finding in error.findings:
                typer.echo(f"refused: {finding}", err=True)
            raise typer.Exit(1) from error
        if code:
            raise typer.Exit(code)

    return run
