"""The plan's tree as text: every place once, deeper ones further in, the notes last."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cli.terminal import ask, hipot, refuse_aloud, run, write_case, write_loop
from loopmend.cli.render_tree import tree_text


def node(n: int, says: str, *answers: tuple[str, float, int], at: str = "", street: str = "") -> dict[str, Any]:
    told = [{"says": word, "p": p, "go_to": to} for word, p, to in answers]
    return {"n": n, "at": at, "street": street, "says": says, "answers": told, "end": not answers}


def test_the_text_by_hand() -> None:
    nodes = [
        node(1, "Park the elbow of S2", ("bad", 0.25, 3), ("good", 0.75, 2), at="E1", street="1 Sedge Court"),
        node(2, "Isolate S1", at="R1"),
        node(3, "Park the elbow of S3", ("bad", 0.5, 4), ("good", 0.5, 5), at="E2"),
        node(4, "Isolate S3", at="E2"),
        node(5, "Call the dispatcher"),
    ]
    assert tree_text({"nodes": nodes, "notes": ["not whole"]}).splitlines() == [
        "the plan ahead:",
        "  1. go to E1, 1 Sedge Court: park the elbow of S2",
        "    2. if good (75%): isolate S1",
        "    3. if bad (25%): go to E2: park the elbow of S3",
        "      4. if bad (50%): isolate S3",
        "      5. if good (50%): call the dispatcher",
        "note: not whole",
    ]


@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
def test_every_place_stands_once_whatever_the_objective(tmp_path: Path, objective: str) -> None:
    loop = write_loop(tmp_path / "loop")
    case = write_case(tmp_path / "case.json", accuracy="perfect", faults="one_span")
    asked = ("plan", loop, "--case", case, "--objective", objective, "--tree")
    document = ask(*asked)
    nodes = document["tree"]["nodes"]
    assert len(nodes) == 7  # four spans
    # the way of the terminal and the sum over the ends of the tree agree
    assert nodes[0]["expected_crew_minutes"] == pytest.approx(document["expected_crew_minutes"], rel=1e-9)
    lines = run(*asked).stdout.splitlines()
    begun = lines.index("the plan ahead:")
    numbers = [int(line.split(".")[0]) for line in lines[begun + 1 : begun + 8]]
    assert numbers == list(range(1, 8))


def test_a_good_test_leaves_a_smaller_tree(tmp_path: Path) -> None:
    loop = write_loop(tmp_path / "loop")
    case = write_case(tmp_path / "case.json", accuracy="perfect", faults="one_span", evidence=[hipot("S1")])
    nodes = ask("plan", loop, "--case", case, "--tree")["tree"]["nodes"]
    assert len(nodes) == 5
    assert "S1" not in {suspect["id"] for one in nodes for suspect in one["suspects"]}


def test_records_that_disagree_are_refused_with_the_tree_too(tmp_path: Path) -> None:
    loop = write_loop(tmp_path / "loop")
    good = [hipot(f"S{n}") for n in range(1, 5)]
    case = write_case(tmp_path / "case.json", accuracy="perfect", faults="one_span", evidence=good)
    assert "disagree" in refuse_aloud("plan", loop, "--case", case, "--tree")
