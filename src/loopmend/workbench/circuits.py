"""Keep circuits: take layers in, find them again by name and fingerprint, show what is wrong with them."""

from __future__ import annotations

import io
import os
import re
import tempfile
import threading
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from loopmend.errors import DataError
from loopmend.files.circuit import CircuitFiles, read_circuit, require_circuit
from loopmend.files.export import LayerFormat, write_circuit
from loopmend.workbench.desk import Desk

ExportFormat = LayerFormat | Literal["gpkg"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCircuit:
    """A circuit that cases may be opened on.

    Attributes
    ----------
    name
        Short name, from the file it came from.
    fingerprint
        Of its content: another content is another circuit of the same name.
    newest
        Whether it is the content last taken in under that name.
    """

    name: str
    fingerprint: str
    newest: bool


def keep_circuit(desk: Desk, path: Path, *, field_map: Path | None = None, name: str = "") -> KeptCircuit:
    """Take a circuit in: its layers are checked, then kept as one GeoPackage that never changes.

    Raises
    ------
    DataError
        With every problem of the layers.
    """
    return keep_files(desk, read_circuit(path, field_map=field_map), name)


def list_circuits(desk: Desk) -> tuple[KeptCircuit, ...]:
    """List the circuits kept, the newest content of each name, by name."""
    found = []
    for folder in sorted(path for path in (desk.folder / "circuits").iterdir() if path.is_dir()):
        newest = folder / "newest"
        if newest.exists():
            found.append(KeptCircuit(name=folder.name, fingerprint=newest.read_text("ascii").strip(), newest=True))
    return tuple(found)


def load_circuit(desk: Desk, name: str, fingerprint: str = "") -> CircuitFiles:
    """Load a kept circuit: the newest content of the name, or the content of a fingerprint.

    Raises
    ------
    DataError
        If there is no such circuit.
    """
    known = {kept.name: kept.fingerprint for kept in list_circuits(desk)}
    wanted = fingerprint or known.get(name, "")
    with desk.lock:
        if wanted in desk.loaded:
            return desk.loaded[wanted]
    path = _folder(desk, name) / f"{wanted[:16]}.gpkg"
    if not wanted or not path.exists():
        raise DataError.about(
            name, "circuits", "no such circuit is kept", wanted[:16] or "none", f"keep it first; known: {_names(known)}"
        )
    files = read_circuit(path)
    with desk.lock:
        desk.loaded[wanted] = files
    return files


def find_circuit(desk: Desk, named: str) -> KeptCircuit:
    """Find a circuit by the name it is kept under, or keep it from a path."""
    for kept in list_circuits(desk):
        if kept.name == named:
            return kept
    path = Path(named)
    if path.exists():
        return keep_circuit(desk, path)
    known = _names({kept.name: "" for kept in list_circuits(desk)})
    raise DataError.about(named, "circuits", "neither a kept circuit nor a file", named, f"known circuits: {known}")


def _folder(desk: Desk, name: str) -> Path:
    return desk.folder / "circuits" / _short_name(name)


def _short_name(name: str) -> str:
    return re.sub(r"[^a-z0-9_-]+", "-", name.lower()).strip("-") or "circuit"


def _names(known: dict[str, Any]) -> str:
    return ", ".join(sorted(known)) or "none"


@contextmanager
def read_upload(uploaded: Mapping[str, bytes]) -> Iterator[CircuitFiles]:
    """Read a circuit from uploaded files, held in a folder that goes when the caller is done.

    Parameters
    ----------
    uploaded
        File name and content: one GeoPackage, or layers of a folder (Shapefile parts, GeoJSON, Parquet, CSV, or one
        zip of them); a ``.toml`` among them is taken as the field map.

    Raises
    ------
    DataError
        If nothing usable was uploaded.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "layers"
        folder.mkdir()
        for file_name, content in uploaded.items():
            _lay_down(folder, file_name, content)
        maps = sorted(folder.glob("*.toml"))
        field_map = maps[0].rename(Path(name) / maps[0].name) if maps else None
        found = sorted(path for path in folder.iterdir() if path.is_file())
        if not found:
            raise DataError.about(
                "", "upload", "no layer in it", "nothing", "choose a GeoPackage, or a folder's layers"
            )
        single = len(found) == 1 and found[0].suffix == ".gpkg"
        yield read_circuit(found[0] if single else folder, field_map=field_map)


def keep_files(desk: Desk, files: CircuitFiles, name: str = "") -> KeptCircuit:
    """Keep a circuit that was read already; DataError with every problem of its layers.

    The fingerprint is that of enclosures and spans: the same circuit with newer failures replaces the older ones, and
    without any it leaves those on record as they are.
    """
    require_circuit(files)
    short = _short_name(name or files.name)
    target = _folder(desk, short) / f"{files.fingerprint[:16]}.gpkg"
    if files.failures is not None or not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        write_circuit(files, target)
        _take_over(desk, files)
    newest = target.parent / "newest"
    fresh = newest.with_suffix(f".{os.getpid()}-{threading.get_ident()}")
    fresh.write_text(files.fingerprint, encoding="ascii")
    fresh.replace(newest)
    return KeptCircuit(name=short, fingerprint=files.fingerprint, newest=True)


def _take_over(desk: Desk, files: CircuitFiles) -> None:
    """Forget what was reckoned from earlier failures of a circuit: they enter the suspicion."""
    with desk.lock:
        desk.loaded[files.fingerprint] = files
        desk.cases.clear()
        desk.reckoned.clear()


def export_circuit(desk: Desk, name: str, layer_format: ExportFormat) -> tuple[str, bytes]:
    """Write a kept circuit out as one file to download: a GeoPackage, or a zip of single layers.

    Parameters
    ----------
    layer_format
        ``gpkg``, ``geojson``, ``shp``, ``parquet`` or ``csv``.
    """
    files = load_circuit(desk, name)
    with tempfile.TemporaryDirectory() as folder:
        if layer_format == "gpkg":
            target = Path(folder) / f"{name}.gpkg"
            write_circuit(files, target)
            return target.name, target.read_bytes()
        target = Path(folder) / name
        write_circuit(files, target, layer_format=layer_format)
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(target.iterdir()):
                archive.write(path, path.name)
        return f"{name}-{layer_format}.zip", packed.getvalue()


def _lay_down(folder: Path, name: str, content: bytes) -> None:
    """Write one uploaded file; a zip is opened flat, so no path in it leads out of the folder."""
    if not name.lower().endswith(".zip"):
        _write_flat(folder, name, content)
        return
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for entry in archive.infolist():
                if not entry.is_dir():
                    _write_flat(folder, entry.filename, archive.read(entry))
    except (zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise DataError.about(name, "upload", "is not a whole zip file", name, "choose the file again") from error
    except RuntimeError as error:  # encrypted, or packed in a way not known here
        raise DataError.about(
            name, "upload", "cannot be unpacked", error, "pack it again without a password"
        ) from error


def _write_flat(folder: Path, name: str, content: bytes) -> None:
    """Write a file under the last part of its name; hidden ones, which archives carry along, are left out."""
    last = PurePosixPath(name.replace("\\", "/")).name
    if not last or last.startswith("."):
        return
    if (folder / last).exists():
        raise DataError.about(last, "upload", "comes twice", name, "upload one circuit at a time, each file once")
    (folder / last).write_bytes(content)
