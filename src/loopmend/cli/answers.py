"""Print an answer or a refusal, as text for people or as JSON for programs, and leave with the right exit code."""

from __future__ import annotations

import functools
import inspect
import json
import sys
from collections.abc import Callable
from typing import Any, ParamSpec

import typer

from loopmend.cli import STOPPED
from loopmend.errors import DataError, LoopmendError

P = ParamSpec("P")
JSON_OPTION = typer.Option("--json", help="Print a JSON document instead of text.")


def print_json(document: dict[str, Any]) -> None:
    """Print a document as JSON, in ASCII so that any terminal and any pipe carries it; nothing else goes out.

    Raises
    ------
    DataError
        If a figure in it is not finite, which JSON cannot say; nothing is printed then.
    """
    try:
        text = json.dumps(document, indent=2, allow_nan=False)
    except ValueError as error:
        remedy = "look for a figure given far out of any range"
        raise DataError.about("", "answer", "a figure in it is not finite", error, remedy) from error
    typer.echo(text)


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
    """Wrap a command: a `LoopmendError` becomes exit code 1 with its reasons, Ctrl-C one line; never a traceback."""

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
        except KeyboardInterrupt as stop:
            typer.echo("\nstopped" if sys.stderr.isatty() else "stopped", err=True)
            raise typer.Exit(STOPPED) from stop
        if code:
            raise typer.Exit(code)

    run.__doc__ = help_text(command.__doc__ or "")
    return run


def help_text(docstring: str) -> str:
    r"""Set the example of a docstring apart, on one line however narrow the terminal, so that it can be copied.

    Click keeps the lines of a paragraph that begins with a line ``\b``.
    """
    before, mark, example = inspect.cleandoc(docstring).partition("Example: ")
    return f"{before.rstrip()}\n\n\b\nExample:\n  {example}" if mark else before
