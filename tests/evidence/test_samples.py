"""The sample readings: one of each verdict, made again byte for byte by the script beside them."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from loopmend.evidence.readings import read_readings
from loopmend.evidence.verdict import judge

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data" / "readings"
KINDS = ["good", "breakdown", "bolted", "leakage", "inconclusive"]


@pytest.mark.parametrize("kind", KINDS)
def test_each_sample_is_judged_as_its_name_says(kind: str) -> None:
    readings = read_readings((SAMPLES / f"{kind}.csv").read_bytes(), 8.0)
    found = judge(readings, expected_rc_s=100.0 * 0.0181)
    assert found.verdict == kind
    assert found.start_pct == pytest.approx(100.0, abs=1.5)  # 0.03 kV of noise and 0.05 of rounding, of 8


def test_the_script_makes_them_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    script = runpy.run_path(str(SAMPLES / "make_readings.py"))
    monkeypatch.setitem(script["main"].__globals__, "HERE", tmp_path)
    script["main"]()
    assert "good.csv: 46 readings" in capsys.readouterr().out
    for kind in KINDS:
        assert (tmp_path / f"{kind}.csv").read_text() == (SAMPLES / f"{kind}.csv").read_text()
