"""Which device operated, judged by the enclosures that are reported out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from loopmend.errors import Finding, NetworkError
from loopmend.network.assets import Bools, EnclosureKind
from loopmend.network.devices import say_winding_fuse
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import trace_supply


@dataclass(frozen=True, slots=True)
class DeviceGuess:
    """One source whose device would put out some of the enclosures reported.

    Attributes
    ----------
    source
        Id of the source.
    explained
        Enclosures reported out that it feeds.
    silent
        Enclosures with customers that would be out too, and about which nothing was reported.
    contradicted_by
        Enclosures it feeds that are known to have supply: then its device cannot have opened all phases.
    own_fuse
        Whether the only report is a single transformer among several: its winding fuse explains that as well.
    says
        The same in one sentence.
    """

    source: str
    explained: tuple[str, ...]
    silent: tuple[str, ...]
    contradicted_by: tuple[str, ...]
    own_fuse: bool
    says: str


@dataclass(frozen=True, slots=True)
class InferredOperation:
    """What the reports say about the devices.

    Attributes
    ----------
    operated
        Sources to take as operated: those that explain a report and that nothing contradicts, sorted.
    guesses
        Every source that explains a report: most reports explained first, then fewest silent, then id.
    unexplained
        Enclosures reported out that no source feeds in the normal arrangement, or whose winding fuse is out there.
    """

    operated: tuple[str, ...]
    guesses: tuple[DeviceGuess, ...]
    unexplained: tuple[str, ...]


def infer_operated(
    circuit: Circuit, normal: Positions, reported_out: Iterable[str], reported_on: Iterable[str] = ()
) -> InferredOperation:
    """Infer which devices operated from the enclosures reported out, and those known to have supply.

    Raises
    ------
    NetworkError
        Naming unknown enclosures, those reported both ways, or that nothing was reported.
    """
    out, on = tuple(dict.fromkeys(reported_out)), tuple(dict.fromkeys(reported_on))
    _require_reports(circuit, out, on)
    supply = trace_supply(circuit, replace(normal, open_devices=frozenset()))
    winding_in = ~np.isin(circuit.enclosures.enclosure_id.astype(str), sorted(normal.windings_out))
    feeders = {
        str(circuit.enclosures.enclosure_id[row]): (supply.enclosure_source == row).any(axis=0) & winding_in
        for row in circuit.source_rows.tolist()
    }
    guesses = [guess for name, fed in feeders.items() if (guess := _guess(circuit, name, fed, out, on)).explained]
    guesses.sort(key=lambda guess: (-len(guess.explained), len(guess.silent), guess.source))
    explained = {name for guess in guesses for name in guess.explained}
    return InferredOperation(
        operated=tuple(sorted(guess.source for guess in guesses if not guess.contradicted_by)),
        guesses=tuple(guesses),
        unexplained=tuple(name for name in out if name not in explained),
    )


def _require_reports(circuit: Circuit, out: tuple[str, ...], on: tuple[str, ...]) -> None:
    if not out:
        raise NetworkError.about("", "reports", "no enclosure reported out", "nothing", "mark at least one as out")
    circuit.require_enclosures([*out, *on], "reports")
    both = [name for name in out if name in on]
    if both:
        raise NetworkError(
            [
                Finding(
                    asset_id=name,
                    layer="reports",
                    problem="reported out and reported supplied",
                    value=name,
                    remedy="keep the later report",
                )
                for name in both
            ]
        )


def _guess(circuit: Circuit, source: str, fed: Bools, out: tuple[str, ...], on: tuple[str, ...]) -> DeviceGuess:
    row = circuit.enclosure_row
    explained = tuple(name for name in out if fed[row[name]])
    contradicted = tuple(name for name in on if fed[row[name]])
    serving = fed & (circuit.enclosures.customers > 0)
    ids = circuit.enclosures.enclosure_id
    silent = tuple(str(ids[k]) for k in np.flatnonzero(serving).tolist() if ids[k] not in out and ids[k] not in on)
    lone = (
        len(explained) == 1
        and circuit.enclosure(explained[0]).kind is EnclosureKind.PADMOUNT
        and bool(silent or contradicted)
    )
    fuse = say_winding_fuse(circuit.enclosure(explained[0])) if lone else ""
    says = _sentence(source, explained, silent, contradicted, fuse)
    return DeviceGuess(source, explained, silent, contradicted, lone, says)


def _sentence(
    source: str, explained: tuple[str, ...], silent: tuple[str, ...], contradicted: tuple[str, ...], fuse: str
) -> str:
    said = f"The device at {source} explains {', '.join(explained) or 'no report'}"
    if silent:
        said += f"; {len(silent)} more with customers would be out, not yet reported"
    if contradicted:
        said += f"; but {', '.join(contradicted)} on the same feed has supply, so it did not open fully"
    if fuse:
        said += (
            f"; a lone report may be the {fuse}, which puts out nobody else: ask the neighbours before opening a case"
        )
    return said + "."
