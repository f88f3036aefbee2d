"""Two contents of a circuit compared: gone, new, changed, and nothing where nothing differs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from case.small_town import small_town
from loopmend.network.assets import Device, Enclosure, EnclosureKind, EndState, Span
from loopmend.network.compare import Change, compare_circuits
from loopmend.network.graph import Circuit, build_circuit

TOWN = small_town()


def parts(circuit: Circuit) -> tuple[list[Enclosure], list[Span]]:
    return (
        [circuit.enclosure(str(name)) for name in circuit.enclosures.enclosure_id],
        [circuit.span(str(name)) for name in circuit.spans.span_id],
    )


def with_span(name: str, **changes: Any) -> Circuit:
    places, spans = parts(TOWN)
    return build_circuit(places, [replace(span, **changes) if span.span_id == name else span for span in spans])


def with_enclosure(name: str, **changes: Any) -> Circuit:
    places, spans = parts(TOWN)
    return build_circuit([replace(p, **changes) if p.enclosure_id == name else p for p in places], spans)


def test_a_circuit_equals_itself_and_its_copy() -> None:
    """Blanks (NaN inside) equal blanks."""
    assert not compare_circuits(TOWN, TOWN)
    assert not compare_circuits(TOWN, build_circuit(*parts(TOWN)))
    assert compare_circuits(TOWN, TOWN).sentences() == ()


def test_what_is_gone_and_what_is_new() -> None:
    places, spans = parts(TOWN)
    more = Enclosure(enclosure_id="E5", kind=EnclosureKind.PADMOUNT, phases="A")
    other = Span(span_id="S6", from_enclosure="E4", to_enclosure="E5", phases="A", length_m=50.0)
    found = compare_circuits(TOWN, build_circuit([*places, more], [*spans[1:], other]))
    assert found.gone == (("span", "S1"),)
    assert found.added == (("enclosure", "E5"), ("span", "S6"))
    assert found.changed == ()
    assert found.sentences() == ("span S1 is gone", "enclosure E5 is new", "span S6 is new")


@pytest.mark.parametrize(
    ("changes", "what", "before", "after"),
    [
        ({"length_m": 120.0}, "length_m", "100", "120"),
        ({"to_state": EndState.CLOSED}, "to_state", "open", "closed"),
        ({"to_state": EndState.JOINED}, "to_state", "open", "joined (on the feed-through)"),
        ({"ampacity_a": None}, "ampacity_a", "200", "blank"),
        ({"insulation": "XLPE"}, "insulation", "blank", "XLPE"),
        ({"installed_year": 1999}, "installed_year", "blank", "1999"),
        ({"indicator_from": True}, "indicator_from", "False", "True"),
        ({"from_device": Device.DEADBREAK_ELBOW}, "from_device", "unrecorded", "deadbreak_elbow"),
        ({"to_enclosure": "R2"}, "to_enclosure", "E4", "R2"),
    ],
)
def test_one_value_of_a_span_that_changed(changes: dict[str, Any], what: str, before: str, after: str) -> None:
    found = compare_circuits(TOWN, with_span("S4", **changes))
    assert found.changed == (Change(kind="span", asset_id="S4", what=what, before=before, after=after),)
    assert found.sentences() == (f"span S4: {what} was {before}, is {after}",)


@pytest.mark.parametrize("changes", [{"customers": 11}, {"street": "Alder Lane"}, {"kva": 75.0}, {"longitude": 1.0}])
def test_one_value_of_an_enclosure_that_changed(changes: dict[str, Any]) -> None:
    found = compare_circuits(TOWN, with_enclosure("E1", **changes))
    assert [(c.kind, c.asset_id, c.what) for c in found.changed] == [("enclosure", "E1", next(iter(changes)))]


def test_a_winding_fuse_that_changed_is_named() -> None:
    out = with_enclosure("E1", winding_out=True)
    assert compare_circuits(TOWN, out).sentences() == ("enclosure E1: winding fuse was in, is out",)
    assert compare_circuits(out, TOWN).sentences() == ("enclosure E1: winding fuse was out, is in",)


def test_an_enclosure_in_another_row_is_the_same_enclosure() -> None:
    """Spans hold row numbers: rows that moved are no change."""
    places, spans = parts(TOWN)
    assert not compare_circuits(TOWN, build_circuit(places[::-1], spans[::-1]))


def record_by_record(one: Sequence[Any], other: Sequence[Any], key: str) -> list[tuple[str, str]]:
    """Compare the plain records, value by value: the other way round."""
    new = {getattr(asset, key): asset for asset in other}
    return [
        (getattr(asset, key), field.name)
        for asset in one
        if getattr(asset, key) in new
        for field in fields(asset)
        if (a := getattr(asset, field.name)) != (b := getattr(new[getattr(asset, key)], field.name))
        and not (a != a and b != b)  # noqa: PLR0124 - NaN is unlike itself
    ]


@settings(max_examples=40, deadline=None)
@given(
    st.dictionaries(st.sampled_from(["S1", "S2", "S3", "S4", "S5"]), st.integers(90, 110), max_size=3),
    st.sets(st.sampled_from(["S1", "S3", "S5"]), max_size=2),
    st.dictionaries(st.sampled_from(["E1", "E2", "E3"]), st.integers(0, 30), max_size=2),
)
def test_the_columns_say_what_the_records_say(
    lengths: dict[str, int], gone: set[str], customers: dict[str, int]
) -> None:
    places, spans = parts(TOWN)
    new_places = [replace(p, customers=customers.get(p.enclosure_id, p.customers)) for p in places]
    new_spans = [replace(s, length_m=float(lengths.get(s.span_id, 100))) for s in spans if s.span_id not in gone]
    found = compare_circuits(TOWN, build_circuit(new_places, new_spans))
    assert {name for _, name in found.gone} == gone
    assert [(c.asset_id, c.what) for c in found.changed] == [
        *record_by_record(places, new_places, "enclosure_id"),
        *record_by_record(spans, new_spans, "span_id"),
    ]
