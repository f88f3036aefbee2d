"""Every command of the command line, put together."""

from __future__ import annotations

import typer

from loopmend.cli import ahead, cases, drill, indicators, serve, studies
from loopmend.cli import case_orders as _adds_orders_to_cases  # noqa: F401 - adds its commands to cases.app
from loopmend.cli import case_settings as _adds_settings_to_cases  # noqa: F401 - adds its commands to cases.app
from loopmend.cli import case_steps as _adds_to_cases  # noqa: F401 - adds its commands to cases.app
from loopmend.cli import sheets as _puts_orders_on_paper  # noqa: F401 - adds its command to cases.app

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
ahead.add_commands(app)
indicators.add_commands(app)
serve.add_commands(app)
app.add_typer(cases.app, name="case")
app.add_typer(drill.app, name="drill")
