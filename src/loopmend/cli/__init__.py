"""The command line: arguments in, text or JSON out, exit code 0 (done), 1 (refused) or 2 (wrong usage)."""

from __future__ import annotations

import typer

from loopmend.cli import case_steps, serve, studies

app = typer.Typer(
    name="loopmend",
    help="Find, isolate and record a failed span in a residential underground cable loop. It advises; "
    "licensed people decide, and local codes and company rules come first.",
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
)
studies.add_commands(app)
serve.add_commands(app)
app.add_typer(case_steps.app, name="case")


def main() -> None:
    """Run the command line."""
    app()
