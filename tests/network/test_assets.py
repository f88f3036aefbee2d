"""Assets: letters and bits, and nothing lost between single records and columns."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.network.assets import (
    PARKINGS,
    Device,
    Enclosure,
    EnclosureKind,
    End,
    EndState,
    Span,
    enclosure_at_row,
    enclosure_columns,
    end_from_label,
    phase_letters,
    phase_mask,
    span_at_row,
    span_columns,
)

numbers = st.floats(0, 1e6)
maybe = st.none() | numbers
phases = st.integers(1, 7).map(phase_letters)

enclosures = st.builds(
    Enclosure,
    enclosure_id=st.text(min_size=1, max_size=8),
    kind=st.sampled_from(EnclosureKind),
    phases=phases,
    kva=numbers,
    load_kw=maybe,
    load_kvar=maybe,
    customers=st.integers(0, 500),
    critical=st.integers(0, 5),
    source_kv=maybe,
    source_limit_a=maybe,
    source_volts_pu=numbers,
    street=st.text(max_size=8),
    longitude=st.floats(-180, 180),
    latitude=st.floats(-90, 90),
    device=st.sampled_from(Device),
    parking=st.sampled_from(("", *PARKINGS)),
)
spans = st.builds(
    Span,
    span_id=st.text(min_size=1, max_size=8),
    from_enclosure=st.sampled_from(["E1", "E2", "E3"]),
    to_enclosure=st.sampled_from(["E1", "E2", "E3"]),
    from_state=st.sampled_from(EndState),
    to_state=st.sampled_from(EndState),
    phases=phases,
    length_m=numbers,
    cable=st.text(max_size=8),
    r_ohm_per_km=maybe,
    x_ohm_per_km=maybe,
    c_nf_per_km=maybe,
    ampacity_a=maybe,
    insulation=st.text(max_size=8),
    installed_year=st.none() | st.integers(1950, 2030),
    construction=st.text(max_size=8),
    indicator_from=st.booleans(),
    indicator_to=st.booleans(),
    from_device=st.sampled_from(Device),
    to_device=st.sampled_from(Device),
    from_rated_a=maybe,
    to_rated_a=maybe,
)


@given(st.lists(enclosures, max_size=5))
def test_enclosures_come_back_from_columns_as_they_went_in(rows: list[Enclosure]) -> None:
    columns = enclosure_columns(rows)
    assert [enclosure_at_row(columns, row) for row in range(len(rows))] == rows


@given(st.lists(spans, max_size=5))
def test_spans_come_back_from_columns_as_they_went_in(rows: list[Span]) -> None:
    ids = enclosure_columns([Enclosure(enclosure_id=name, kind=EnclosureKind.CABINET) for name in ("E1", "E2", "E3")])
    columns = span_columns(rows, ids.enclosure_id)
    assert (
        columns.enclosure.shape
        == columns.state.shape
        == columns.indicator.shape
        == columns.rated_a.shape
        == (len(rows), 2)
    )
    assert [span_at_row(columns, ids.enclosure_id, row) for row in range(len(rows))] == rows


def test_values_out_of_columns_are_plain_python() -> None:
    # A numpy number would not go into JSON, and would print as np.float64(50.0) in a message.
    row = Enclosure(enclosure_id="P1", kind=EnclosureKind.PADMOUNT, kva=50, customers=8, load_kw=31.5)
    back = enclosure_at_row(enclosure_columns([row]), 0)
    assert [type(value) for value in (back.kva, back.customers, back.load_kw)] == [float, int, float]
    assert type(back.kind) is EnclosureKind


def test_a_blank_year_stays_blank() -> None:
    ids = enclosure_columns([Enclosure(enclosure_id="E1", kind=EnclosureKind.CABINET)]).enclosure_id
    row = Span(span_id="S1", from_enclosure="E1", to_enclosure="E1", length_m=1.0)
    assert span_at_row(span_columns([row], ids), ids, 0).installed_year is None


@pytest.mark.parametrize(("letters", "mask"), [("A", 1), ("B", 2), ("C", 4), ("AB", 3), ("CA", 5), ("ABC", 7), ("", 0)])
def test_phase_bits(letters: str, mask: int) -> None:
    assert phase_mask(letters) == mask
    assert phase_letters(mask) == "".join(sorted(letters))


def test_ends_know_their_name_and_their_opposite() -> None:
    assert [end.label for end in End] == ["from", "to"]
    assert [end_from_label(end.label) for end in End] == list(End)
    assert End.FROM.other is End.TO
    assert End.TO.other is End.FROM
    row = Span(span_id="S1", from_enclosure="E1", to_enclosure="E2", length_m=1.0)
    assert [row.enclosure_at(end) for end in End] == ["E1", "E2"]


# refusals


@pytest.mark.parametrize("letters", ["D", "a", "A B"])
def test_an_unknown_phase_letter_is_refused(letters: str) -> None:
    with pytest.raises(KeyError):
        phase_mask(letters)


@pytest.mark.parametrize("label", ["FROM", "middle", ""])
def test_an_unknown_end_is_refused(label: str) -> None:
    with pytest.raises(KeyError):
        end_from_label(label)


def test_a_span_that_lands_nowhere_is_refused() -> None:
    ids = enclosure_columns([Enclosure(enclosure_id="E1", kind=EnclosureKind.CABINET)]).enclosure_id
    with pytest.raises(KeyError, match="E2"):
        span_columns([Span(span_id="S1", from_enclosure="E1", to_enclosure="E2", length_m=1.0)], ids)
