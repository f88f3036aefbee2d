"""Circuits kept: by name and content, taken in from uploads, given out in every format."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any, get_args

import pytest

from files.small_loop import tables as loop_tables
from loopmend.errors import DataError
from loopmend.files.circuit import read_circuit
from loopmend.files.export import write_circuit
from loopmend.workbench.cases import Opening, load_case, start_case
from loopmend.workbench.circuits import (
    ExportFormat,
    export_circuit,
    find_circuit,
    keep_circuit,
    keep_files,
    list_circuits,
    load_circuit,
    read_upload,
)
from loopmend.workbench.desk import Desk
from workbench.town import PAST, another_desk, failures, open_case, spans, tables, write_town


def longer_town(folder: Path) -> Path:
    """The same town with S2 a metre longer: another content under the same name."""
    changed = spans()
    changed.loc[changed["id"] == "S2", "length_m"] = 101.0
    path = folder / "town.gpkg"
    write_circuit({**tables(), "spans": changed}, path)
    return path


def zipped(**entries: bytes | str) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in entries.items():
            archive.writestr(name.replace("__", "/"), content)
    return packed.getvalue()


def layer_files(folder: Path, **options: Any) -> dict[str, bytes]:
    write_circuit(loop_tables(), folder / "layers", **options)
    return {path.name: path.read_bytes() for path in sorted((folder / "layers").iterdir())}


def test_a_kept_circuit_is_found_by_name_and_reads_back_the_same(desk: Desk, kept_town: Desk) -> None:
    (kept,) = list_circuits(desk)
    assert (kept.name, kept.newest) == ("town", True)
    assert find_circuit(desk, "town") == kept
    fresh = load_circuit(another_desk(desk), "town")
    assert fresh.fingerprint == kept.fingerprint == load_circuit(kept_town, "town").fingerprint
    assert fresh.problems == ()


def test_names_are_made_short_and_harmless(empty_desk: Desk, tmp_path: Path) -> None:
    files = read_circuit(write_town(tmp_path))
    assert keep_files(empty_desk, files, "../../Tern Hollow, 2nd!").name == "tern-hollow-2nd"
    assert keep_files(empty_desk, files, "...").name == "circuit"
    assert sorted(path.name for path in (empty_desk.folder / "circuits").iterdir()) == ["circuit", "tern-hollow-2nd"]


def test_keeping_the_same_content_again_changes_nothing(desk: Desk, tmp_path: Path) -> None:
    before = list_circuits(desk)
    assert keep_circuit(desk, write_town(tmp_path)) == before[0]
    assert list_circuits(desk) == before


def test_new_content_under_an_old_name_leaves_old_cases_on_theirs(desk: Desk, tmp_path: Path) -> None:
    old = open_case(desk)
    kept = keep_circuit(desk, longer_town(tmp_path))
    assert kept.name == "town"
    new = open_case(desk)
    for here in (desk, another_desk(desk)):
        lengths = [load_case(here, case_id).circuit.span("S2").length_m for case_id in (old, new)]
        assert lengths == [100.0, 101.0]
        assert list_circuits(here) == (kept,)


def test_newer_failures_of_the_same_circuit_are_taken_over(desk: Desk, tmp_path: Path) -> None:
    rows = [{"id": "G1", "span_id": "S3", "date": "2024-01-01", "component": "cable", "cause": "age"}]
    kept = keep_circuit(desk, write_town(tmp_path, past=failures(rows, [(250.0, 0.0)])))
    for here in (desk, another_desk(desk)):
        found = load_circuit(here, "town", kept.fingerprint).failures
        assert found is not None
        assert found["id"].tolist() == ["G1"]


def test_a_circuit_that_comes_without_failures_leaves_those_on_record(desk: Desk, tmp_path: Path) -> None:
    keep_circuit(desk, write_town(tmp_path, past=None))
    for here in (desk, another_desk(desk)):
        found = load_circuit(here, "town").failures
        assert found is not None
        assert len(found) == len(PAST)


def test_a_path_is_kept_on_the_way(empty_desk: Desk, tmp_path: Path) -> None:
    path = write_town(tmp_path, "sedge")
    assert start_case(empty_desk, str(path), Opening(operated=("R1",)), actor="N. Adair") == "C-0001"
    assert [kept.name for kept in list_circuits(empty_desk)] == ["sedge"]


def test_a_circuit_with_problems_is_not_kept(empty_desk: Desk, tmp_path: Path) -> None:
    spoilt = spans()
    spoilt.loc[0, "length_m"] = -3.0
    write_circuit({**tables(), "spans": spoilt}, tmp_path / "town.gpkg")
    with pytest.raises(DataError, match="S1: length must be above 0"):
        keep_circuit(empty_desk, tmp_path / "town.gpkg")
    assert list_circuits(empty_desk) == ()


def test_a_circuit_that_is_not_kept_is_refused_by_name(desk: Desk) -> None:
    with pytest.raises(DataError, match="circuits village: no such circuit is kept .*known: town"):
        load_circuit(desk, "village")
    with pytest.raises(DataError, match="no such circuit is kept .found 0000000000000000"):
        load_circuit(desk, "town", "0" * 64)
    with pytest.raises(DataError, match="no such circuit is kept"):
        load_circuit(desk, "../town")


@pytest.mark.parametrize("layer_format", ["gpkg", "geojson", "shp", "parquet", "csv"])
def test_every_format_given_out_reads_back_with_the_same_fingerprint(desk: Desk, layer_format: ExportFormat) -> None:
    kept = find_circuit(desk, "town")
    name, content = export_circuit(desk, "town", layer_format)
    assert name == ("town.gpkg" if layer_format == "gpkg" else f"town-{layer_format}.zip")
    with read_upload({name: content}) as files:
        assert files.problems == ()
        assert files.fingerprint == kept.fingerprint
        assert files.failures is not None
        assert len(files.failures) == len(PAST)


def test_every_format_is_tried_above() -> None:
    formats = [name for part in get_args(ExportFormat) for name in (get_args(part) or (part,))]
    assert sorted(formats) == ["csv", "geojson", "gpkg", "parquet", "shp"]


def test_uploaded_layers_are_read_together(empty_desk: Desk, tmp_path: Path) -> None:
    with read_upload(layer_files(tmp_path)) as files:
        kept = keep_files(empty_desk, files, "loop")
    assert load_circuit(another_desk(empty_desk), "loop").fingerprint == kept.fingerprint == files.fingerprint


def test_a_zip_is_opened_flat_and_nothing_leaves_its_folder(tmp_path: Path) -> None:
    layers = layer_files(tmp_path)
    outside = tmp_path / "outside.geojson"
    entries: dict[str, bytes] = {f"../../{outside.name}": b"{}", "/etc/outside.csv": b"a,b\n"}
    entries |= {f"..__..__layers__{name}".replace("__", "/"): content for name, content in layers.items()}
    entries |= {"__MACOSX/._spans.geojson": b"\x00", "layers/.hidden": b"\x00", "layers/..": b"x"}
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    with read_upload({"loop.zip": packed.getvalue()}) as files:
        assert sorted(files.spans["id"]) == ["S1", "S2", "S3", "S4"]
    assert not outside.exists()
    assert not Path("/etc/outside.csv").exists()


@pytest.mark.parametrize("name", ["../spans.geojson", "..\\spans.geojson", "C:\\maps\\spans.geojson"])
def test_a_path_in_a_file_name_counts_for_nothing(tmp_path: Path, name: str) -> None:
    layers = layer_files(tmp_path)
    uploaded = {name if key == "spans.geojson" else key: content for key, content in layers.items()}
    with read_upload(uploaded) as files:
        assert files.problems == ()
        assert len(files.spans) == 4


@pytest.mark.parametrize(
    ("uploaded", "words"),
    [
        ({}, "no layer in it"),
        ({"..": b"x"}, "no layer in it"),
        ({"loop.zip": b"not a zip"}, "loop.zip: is not a whole zip file"),
        ({"loop.zip": zipped(spans__a="")[:-9]}, "is not a whole zip file"),
        ({"loop.zip": zipped()}, "no layer in it"),
        ({"a.zip": zipped(a__spans="1", b__spans="2")}, "upload spans: comes twice"),
    ],
)
def test_what_is_no_circuit_is_refused(uploaded: dict[str, bytes], words: str) -> None:
    with pytest.raises(DataError, match=words), read_upload(uploaded):
        pytest.fail("read all the same")


def test_a_zip_behind_a_password_is_refused(tmp_path: Path) -> None:
    content = bytearray(zipped(**{"spans.csv": "id\nS1\n"}))
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # the bit that says: encrypted
        content[content.index(mark) + offset] |= 1
    with pytest.raises(DataError, match="loop.zip: cannot be unpacked"), read_upload({"loop.zip": bytes(content)}):
        pytest.fail("read all the same")
