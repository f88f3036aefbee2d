"""Open the screens in a browser."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from loopmend.cli.answers import answering
from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import default_folder, open_desk
from loopmend.workbench.places import screens_folder
from loopmend.workbench.sample import lay_out_sample

LOCAL = ("127.0.0.1", "::1", "localhost")

FLAGS = {
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "client.showErrorDetails": "none",
    "client.showErrorLinks": "false",
    "client.toolbarMode": "minimal",
    "runner.magicEnabled": "false",
    "runner.postScriptGC": "false",
}
"""Settings that hold whatever stray configuration lies about: nothing leaves the machine, no traceback is shown.

Memory is not swept after every run: each screen runs more than once a second to look at the record, and with a few of
them open the sweeps alone held the server up for seconds.
"""


@answering
def open_screens(
    circuit: Annotated[
        Path | None,
        typer.Argument(metavar="CIRCUIT", exists=True, help="Layers to keep and offer; default: the sample."),
    ] = None,
    field_map: Annotated[
        Path | None, typer.Option("--field-map", exists=True, dir_okay=False, help="TOML: whose columns, units, codes.")
    ] = None,
    folder: Annotated[Path | None, typer.Option("--folder", help="Folder of the record and circuits.")] = None,
    store: Annotated[
        str | None, typer.Option("--store", help="Event store URL; default: SQLite in the folder.")
    ] = None,
    address: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8501,
    public_host: Annotated[
        str | None, typer.Option("--public-host", help="Host name that browsers use, behind your proxy.")
    ] = None,
) -> None:
    """Open the screens; without a circuit, on the sample with one trouble case under way.

    There is no sign-in yet: the screens listen on this machine only, unless --public-host names the host behind a
    proxy that guards them.
    Example: loopmend open
    """
    if address not in LOCAL and not public_host:
        raise typer.BadParameter("an address others can reach needs --public-host, behind a proxy that guards it")
    folder = folder or default_folder()
    desk = open_desk(folder, store)
    if circuit is None:
        lay_out_sample(desk)
    else:
        keep_circuit(desk, circuit, field_map=field_map)
    desk.store.close()
    os.environ["LOOPMEND_FOLDER"] = str(folder.resolve())
    if store:
        os.environ["LOOPMEND_STORE"] = store
    flags = FLAGS | {"server.address": address, "server.port": str(port)}
    if public_host:
        flags |= {"browser.serverAddress": public_host}
    typer.echo(f"Loopmend at http://{public_host or address}:{port} (record in {folder}); stop with Ctrl+C")
    sys.stdout.flush()
    command = [sys.executable, "-m", "streamlit", "run", str(screens_folder() / "app.py")]
    os.execv(command[0], [*command, *(f"--{name}={value}" for name, value in flags.items())])  # noqa: S606


def add_commands(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("open")(open_screens)
