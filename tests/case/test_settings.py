"""Settings of a plan: read, refused by name, all at once."""

from __future__ import annotations

from dataclasses import fields

import pytest

from case.playing import ask, declared
from case.small_town import small_town
from loopmend.case import requests as rq
from loopmend.case.assumptions import check_assumptions, read_assumptions
from loopmend.case.settings import NAMES, RANGES, Settings, check_settings, read_settings
from loopmend.errors import OrderError

TOWN = small_town()


def test_defaults_are_within_their_ranges() -> None:
    given = {field.name: getattr(Settings(), field.name) for field in fields(Settings)}
    assert check_settings(given, TOWN) == []
    assert read_settings(given) == Settings()


@pytest.mark.parametrize("name", sorted(RANGES))
@pytest.mark.parametrize("value", [-1, float("nan"), float("inf"), 10**400, "2", True, None])
def test_a_value_outside_its_range_is_named(name: str, value: object) -> None:
    found = check_settings({name: value}, TOWN)
    assert found
    assert all(name in finding.problem for finding in found)
    assert all(finding.remedy and finding.value == repr(value) for finding in found)


def test_everything_wrong_is_told_at_once() -> None:
    wrong = {"speed": 3, "closing": "always", "method": "guess", "second_crew_at": "nowhere", "closings_at_most": 1.5}
    found = check_settings(wrong, TOWN, methods=("hipot",))
    assert len(found) == len(wrong)
    assert check_settings("fast", TOWN)[0].remedy == "write names and values"


def test_another_approves_where_the_company_asks_for_it() -> None:
    for setting, refused in (({}, False), ({"another_approves": True}, True)):
        state = ask(declared(), rq.ChangeAssumptions(assumptions={"settings": setting}))
        state = ask(state, rq.DraftOrder(purpose="restore"), actor="N. Adair")
        approval = rq.ApproveOrder(order_id="O1")
        assert not ask(state, approval, actor="M. Sorley").orders[0].alone
        if not refused:
            assert ask(state, approval, actor="n. adair").orders[0].alone
            continue
        with pytest.raises(OrderError, match=r"O1: was drafted by N. Adair, .*another_approves.*found n. adair"):
            ask(state, approval, actor="n. adair")


def test_settings_reach_the_times_of_the_crew() -> None:
    document = {"settings": {"switch_minutes": 7, "travel_m_per_min": 100.0}}
    assert check_assumptions(document, TOWN) == ()
    read = read_assumptions(document, TOWN, "", {})
    assert (read.times.switch_minutes, read.times.travel_m_per_min, read.times.split_minutes) == (7, 100.0, 10.0)
    assert read.settings.switch_minutes == 7
    assert set(NAMES) == {field.name for field in fields(Settings)}


def test_the_pickup_curve_is_read_and_refused_by_name() -> None:
    read = read_settings({"pickup_points": [[0, 1], [45, 2.2]], "pickup_settle_minutes": 20})
    assert read.pickup.points == ((0.0, 1.0), (45.0, 2.2))
    assert read.pickup.settle_minutes == 20
    for wrong in ("steep", [1, 2], [[0, 1], [0, 2]], [[0, 0.5]], [[0, 1], ["a", 2]], [[5, 1]]):
        found = check_settings({"pickup_points": wrong}, TOWN)
        assert found, wrong
        assert all(finding.remedy for finding in found)
