"""Readings as they come: read, repaired where certain, refused with every finding where not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopmend.errors import EvidenceError
from loopmend.evidence import columns, readings
from loopmend.evidence.readings import check_readings, read_readings

HEAD = "t_s,reading_kv\n"


def test_plain_file_comes_through_untouched() -> None:
    found = read_readings(HEAD + "0,8.0\n1,4.5\n2,2.25\n", 8.0)
    assert found.t_s.tolist() == [0, 1, 2]
    assert found.reading_kv.tolist() == [8.0, 4.5, 2.25]
    assert found.repairs == ()


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbft_s,reading_kv\r\n0,8.0\r\n1,4.5\r\n",
        "T_S;Reading_kV\n0;8,0\n1;4,5\n",
        "t_s\treading_kv\n0\t8.0\n1\t4.5\n",
        'note,"reading_kv","t_s"\nfirst,8.0,0\n"a, b",4.5,1\n',
        "# span 12\n\nt_s,reading_kv\n0, 8.0\n# looked away\n1 ,4.5\n",
        "0,8.0\n1,4.5\n",
    ],
)
def test_the_same_series_in_other_clothes(content: str | bytes) -> None:
    found = read_readings(content, 8.0)
    assert found.t_s.tolist() == [0, 1]
    assert found.reading_kv.tolist() == [8.0, 4.5]


def test_missing_header_and_gaps_are_said() -> None:
    assert any("no header" in repair for repair in read_readings("0,8\n1,4\n", 8.0).repairs)
    found = read_readings(HEAD + "0,8\n1,\n2,3\n", 8.0)
    assert found.t_s.tolist() == [0, 2]
    assert "1 row(s) without a value taken as gaps, first at line 3" in found.repairs


def test_volts_are_made_kilovolts_and_said() -> None:
    found = read_readings(HEAD + "0,8000\n1,4500\n2,5\n", 8.0)
    assert found.reading_kv.tolist() == [8.0, 4.5, 0.005]
    assert any("volts" in repair for repair in found.repairs)


def test_volts_among_kilovolts_are_refused_by_line() -> None:
    with pytest.raises(EvidenceError, match="above any possible source") as caught:
        read_readings(HEAD + "0,8.0\n1,4.5\n2,950\n", 8.0)
    assert [finding.asset_id for finding in caught.value.findings] == ["line 4"]


def test_a_high_series_with_one_kilovolt_entry_is_not_divided() -> None:
    with pytest.raises(EvidenceError, match="above any possible source"):
        read_readings(HEAD + "0,8000\n1,4500\n2,1.35\n", 8.0)


def test_all_findings_at_once() -> None:
    with pytest.raises(EvidenceError) as caught:
        read_readings(HEAD + "-1,8.0\n3,abc\n2,7\n1,6\nx,5\n4,-3\n5,40\n", 8.0)
    said = [(finding.asset_id, finding.problem.split(" (")[0]) for finding in caught.value.findings]
    assert said == [
        ("line 3", "reading_kv is not a number"),
        ("line 6", "t_s is not a number"),
        ("line 2", "time is negative"),
        ("line 5", "time goes back"),
        ("line 8", "reading is above any possible source"),
        ("line 7", "reading is negative"),
    ]


@pytest.mark.parametrize("text", ["nan", "inf", "8.0 kV", "1_0", "eight", "0x8"])
def test_text_in_a_number_is_refused(text: str) -> None:
    with pytest.raises(EvidenceError, match="not a number"):
        read_readings(f"{HEAD}0,8\n1,{text}\n", 8.0)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "empty"),
        ("\n\n# only a note\n", "empty"),
        (HEAD, "no row has both numbers"),
        ("time,kv\n0,8\n", "column t_s and reading_kv is missing"),
        ("t_s,kv\n0,8\n", "column reading_kv is missing"),
        (b"t_s,reading_kv\n0,\xff\xfe\n", "not UTF-8"),
    ],
)
def test_files_without_readings_are_refused(content: str | bytes, says: str) -> None:
    with pytest.raises(EvidenceError, match=says):
        read_readings(content, 8.0)


def test_an_unclosed_quote_stays_within_its_line() -> None:
    with pytest.raises(EvidenceError, match="not a number") as caught:
        read_readings(HEAD + '0,8\n1,"x\n2,7\n', 8.0)
    assert [finding.asset_id for finding in caught.value.findings] == ["line 3"]


def test_many_findings_are_listed_to_forty_and_counted() -> None:
    with pytest.raises(EvidenceError) as caught:
        read_readings(HEAD + "\n".join(f"{at},bad" for at in range(100)), 8.0)
    assert len(caught.value.findings) == columns.MAX_LISTED + 1
    assert caught.value.findings[-1].value == "60 more"


@pytest.mark.parametrize("source_kv", [0.0, -8.0, float("nan"), float("inf"), 7200.0])
def test_impossible_source_is_refused(source_kv: float) -> None:
    with pytest.raises(EvidenceError, match="source_kv"):
        check_readings([0, 1], [8, 4], source_kv)


def test_unequal_and_empty_arrays_are_refused() -> None:
    for times, levels in (([0, 1], [8]), ([], []), ([[0]], [[8]])):
        with pytest.raises(EvidenceError, match="as many times"):
            check_readings(times, levels, 8.0)
    with pytest.raises(EvidenceError, match="not a number"):
        check_readings([0, 1], [8, float("nan")], 8.0)


def test_slightly_negative_zero_is_zero() -> None:
    found = check_readings([0, 1], [8, -0.1], 8.0)
    assert found.reading_kv.tolist() == [8.0, 0.0]
    assert "1 reading(s) slightly below zero taken as zero" in found.repairs


def test_whole_seconds_at_four_a_second_are_spread() -> None:
    found = check_readings([0, 0, 0, 0, 1, 1], [8, 7, 6, 5, 4, 3], 8.0)
    assert found.t_s.tolist() == [0, 0.25, 0.5, 0.75, 1, 1.5]
    assert found.repairs


def test_all_readings_at_one_time_are_spread_over_a_second() -> None:
    assert check_readings([5, 5], [8, 8], 8.0).t_s.tolist() == [5.0, 5.5]


def test_a_million_rows_keep_their_swings() -> None:
    count = 1_000_000
    levels = np.full(count, 1.0)
    levels[0], levels[700_001] = 8.0, 6.5
    found = check_readings(np.arange(count) * 0.25, levels, 8.0)
    assert len(found.t_s) <= readings.MAX_JUDGED + 2
    assert found.reading_kv.max() == 8.0
    assert 6.5 in found.reading_kv
    assert any("1000000 readings: judged on" in repair for repair in found.repairs)


def test_too_many_rows_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MAX_ROWS", 5)
    with pytest.raises(EvidenceError, match="too many rows"):
        read_readings(HEAD + "0,8\n" * 5, 8.0)


@given(st.lists(st.tuples(st.integers(0, 999), st.integers(0, 110)), min_size=1, max_size=40))
def test_what_is_written_is_read(rows: list[tuple[int, int]]) -> None:
    rows = sorted(dict(rows).items())
    text = HEAD + "".join(f"{second},{level / 10}\n" for second, level in rows)
    found = read_readings(text.encode(), 8.0)
    assert found.t_s.tolist() == [second for second, _ in rows]
    assert found.reading_kv.tolist() == [level / 10 for _, level in rows]
