"""Run commands as a person or a program would, in this process or as a process of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from loopmend.cli.commands import app

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "tern_hollow.gpkg"
CASE = ROOT / "sample_data" / "case.json"
READINGS = ROOT / "sample_data" / "readings"
PROBLEM_KEYS = {"id", "layer", "problem", "value", "remedy"}


def run(*arguments: object) -> Result:
    """Run a command in this process; anything but an exit code is a fault of ours and raised."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def ask(*arguments: object) -> dict[str, Any]:
    """Run a command with --json that is done: one document on standard output, nothing anywhere else."""
    result = run(*arguments, "--json")
    assert (result.exit_code, result.stderr) == (0, ""), result.output
    return only_document(result.stdout)


def refuse(*arguments: object) -> list[dict[str, str]]:
    """Run a command with --json that is refused: the document on standard output, the same in words beside it."""
    result = run(*arguments, "--json")
    assert result.exit_code == 1, result.output
    document = only_document(result.stdout)
    assert set(document) == {"format", "problems"}
    assert document["format"] == "loopmend/refusal/1"
    assert document["problems"]
    for problem in document["problems"]:
        assert set(problem) == PROBLEM_KEYS
        assert all(isinstance(text, str) for text in problem.values())
        assert problem["problem"]
        assert problem["remedy"]
    _require_words(result.stderr, document["problems"])
    return document["problems"]


def refuse_aloud(*arguments: object) -> str:
    """Run a command without --json that is refused: nothing on standard output, every reason on the other."""
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (1, ""), result.output
    _require_words(result.stderr, refuse(*arguments))
    return result.stderr


def _require_words(spoken: str, problems: list[dict[str, str]]) -> None:
    assert "Traceback" not in spoken
    lines = [line for line in spoken.splitlines() if line.startswith("refused: ")]
    assert len(lines) == len(problems)
    for line, problem in zip(lines, problems, strict=True):
        assert problem["problem"].splitlines()[0] in line


def only_document(text: str) -> dict[str, Any]:
    """Read the one JSON document that a text is; figures that JSON does not know are refused."""
    document = json.loads(text, parse_constant=_no_constant)
    assert isinstance(document, dict)
    return document


def _no_constant(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


def run_process(*arguments: object, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the installed program as a shell does, from the checkout's own folder."""
    program = Path(sys.executable).with_name("loopmend")
    env = os.environ | ({"LOOPMEND_FOLDER": str(folder)} if folder else {})
    command = [str(program), *(str(argument) for argument in arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=env, check=False, timeout=120)


def write_case(path: Path, **keys: Any) -> Path:
    """Write a case file in which R1's device operated unless said otherwise; values need not make sense."""
    path.write_text(json.dumps({"format": "loopmend/case/1", "operated": ["R1"], **keys}), encoding="utf-8")
    return path


def hipot(span: str, verdict: str = "good") -> dict[str, str]:
    """Write a hipot test as a case file does."""
    return {"kind": "test", "span": span, "method": "hipot", "verdict": verdict}


def write_loop(folder: Path) -> Path:
    """Write a loop small enough to reckon by hand, as CSV with WKT: R1 S1 E1 S2 E2 S3 E3 S4 | E4 S5 R2.

    Open at S4's far end. Customers 10, 20, 30 and 40 at E1 to E4; one of E2's is critical.
    """
    folder.mkdir()
    places = ["R1", "E1", "E2", "E3", "E4", "R2"]
    customers = {"E1": 10, "E2": 20, "E3": 30, "E4": 40}
    lines = ["id,kind,phases,kva,customers,critical,source_kv,wkt"]
    for n, name in enumerate(places):
        served, source = customers.get(name, 0), name.startswith("R")
        kind, kva, kv = ("riser", 0, "12.47") if source else ("padmount", 50, "")
        lines.append(f"{name},{kind},A,{kva},{served},{int(name == 'E2')},{kv},POINT ({_longitude(n)} 40)")
    (folder / "enclosures.csv").write_text("\n".join(lines), encoding="utf-8")
    lines = ["id,from_id,to_id,to_end,phases,length_m,r_ohm_per_km,x_ohm_per_km,c_nf_per_km,ampacity_a,wkt"]
    for n, (start, stop) in enumerate(pairwise(places), start=1):
        way = f'"LINESTRING ({_longitude(n - 1)} 40, {_longitude(n)} 40)"'
        end = "open" if n == 4 else "closed"
        lines.append(f"S{n},{start},{stop},{end},A,86,0.7,0.4,200,200,{way}")
    (folder / "spans.csv").write_text("\n".join(lines), encoding="utf-8")
    return folder


def _longitude(n: int) -> str:
    """A thousandth of a degree apart: 85 m at this latitude."""
    return f"{-100 + n / 1000:.3f}"
