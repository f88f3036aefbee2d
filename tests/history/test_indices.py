"""SAIDI, SAIFI, CAIDI, ASAI: worked examples, stages, and where an index is undefined."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from history.samples import failure
from loopmend.history.exposure import StudyWindow
from loopmend.history.failures import RestorationStage
from loopmend.history.indices import NO_CUSTOMERS, NO_INTERRUPTION, find_indices, predict_indices

YEAR = StudyWindow(first_day=date(2011, 1, 1), last_day=date(2011, 12, 31))
LEAP = StudyWindow(first_day=date(2012, 1, 1), last_day=date(2012, 12, 31))


def outages(*pairs: tuple[int, float], year: int = 2011) -> list:
    return [failure(f"F{n}", None, f"{year}-03-01", customers=c, minutes=m) for n, (c, m) in enumerate(pairs)]


@pytest.mark.published("Reliability metrics trainer (open teaching page), quick check")
def test_three_outages_in_a_territory_of_ten_thousand() -> None:
    found = find_indices(outages((100, 5), (200, 10), (300, 11)), 10_000, YEAR)
    assert (found.customer_interruptions, found.customer_minutes) == (600, 5800.0)
    assert found.saifi == pytest.approx(0.06, abs=1e-12)  # exact arithmetic
    assert found.saidi_min == pytest.approx(0.58, abs=1e-12)
    assert found.caidi_min == pytest.approx(9.67, abs=0.005)  # printed to 2 places
    assert found.saifi != pytest.approx(1.0)  # what dividing by the customers interrupted would give


@pytest.mark.published("Reliability metrics trainer (open teaching page), example beside the formulas")
def test_caidi_is_saidi_over_saifi() -> None:
    found = find_indices(outages((40, 10.0), (100, 40.0)), 1000, YEAR)  # sums 140 and 4,400 as on the page
    assert (found.customer_interruptions, found.customer_minutes) == (140, 4400.0)
    assert (found.saidi_min, found.saifi) == (pytest.approx(4.40), pytest.approx(0.14))
    assert found.caidi_min == pytest.approx(31.43, abs=0.005)  # printed to 2 places


@pytest.mark.published("IEEE 1366-2003, clause 3", from_memory=True)
@pytest.mark.parametrize(("window", "year", "hours"), [(YEAR, 2011, 8760), (LEAP, 2012, 8784)])
def test_availability_has_the_hours_of_its_year(window: StudyWindow, year: int, hours: int) -> None:
    found = find_indices(outages((50, 600.0), year=year), 100, window)  # 300 minutes, 5 hours each
    assert found.asai == pytest.approx(1 - 5 / hours, abs=1e-15)  # rounding


@pytest.mark.published("IEEE 1366-2003, clause 3: momentary up to 5 minutes", from_memory=True)
def test_momentary_interruptions_count_apart() -> None:
    found = find_indices(outages((100, 5.0), (200, 5.1)), 1000, YEAR, momentary_minutes=5.0)
    assert (found.maifi, found.saifi) == (pytest.approx(0.1), pytest.approx(0.2))
    assert found.customer_minutes == pytest.approx(1020.0)
    everything = find_indices(outages((100, 5.0), (200, 0.0)), 1000, YEAR)
    assert (everything.maifi, everything.saifi) == (0.0, pytest.approx(0.3))


@pytest.mark.published("IEEE 1366: step restoration", from_memory=True)
def test_stages_add_their_minutes_and_count_each_customer_once() -> None:
    stages = (
        RestorationStage(customers=60, minutes=35.0),  # 2,100 customer-minutes
        RestorationStage(customers=30, minutes=80.0),  # 2,400
        RestorationStage(customers=10, minutes=240.0),  # 2,400
    )
    record = failure("F1", "S1", "2011-03-01", customers=100, minutes=240.0, stages=stages)
    found = find_indices([record], 200, YEAR)
    assert found.saifi == pytest.approx(0.5)  # 100 customers once, of 200
    assert found.saidi_min == pytest.approx(6900 / 200)
    assert found.caidi_min == pytest.approx(69.0)
    whole = find_indices([failure("F1", "S1", "2011-03-01", customers=100, minutes=240.0)], 200, YEAR)
    assert whole.saifi == found.saifi
    assert whole.customer_minutes == 24_000.0


def test_caidi_is_undefined_without_interruption_and_says_why() -> None:
    found = find_indices([], 1000, YEAR)
    assert (found.saidi_min, found.saifi, found.caidi_min, found.asai) == (0.0, 0.0, None, 1.0)
    assert found.reasons == (NO_INTERRUPTION,)


def test_no_customers_leave_no_index() -> None:
    found = find_indices(outages((10, 10.0)), 0, YEAR)
    assert (found.saidi_min, found.saifi, found.caidi_min, found.asai, found.maifi) == (None,) * 5
    assert found.reasons == (NO_CUSTOMERS,)


def test_blank_records_are_left_out_and_said_and_other_years_do_not_count() -> None:
    records = [*outages((10, 60.0)), failure("X", None, "2011-05-05", customers=5), *outages((99, 9.0), year=2010)]
    found = find_indices(records, 100, YEAR)
    assert (found.failures_counted, found.failures_left_out, found.customer_interruptions) == (1, 1, 10)
    assert found.reasons == ("1 failures without customers or minutes are left out",)


@pytest.mark.parametrize(("served", "limit"), [(-1, 0.0), (1, -1.0), (1, float("nan"))])
def test_negative_figures_are_refused(served: int, limit: float) -> None:
    with pytest.raises(ValueError, match="must be >= 0"):
        find_indices([], served, YEAR, limit)


pairs = st.lists(st.tuples(st.integers(0, 500), st.floats(0, 5000)), max_size=8)


@given(pairs, pairs, st.integers(1, 10_000), st.sampled_from([0.0, 5.0]))
def test_indices_of_two_lists_add_up(one: list, other: list, served: int, limit: float) -> None:
    a, b = find_indices(outages(*one), served, YEAR, limit), find_indices(outages(*other), served, YEAR, limit)
    both = find_indices(outages(*one, *other), served, YEAR, limit)
    assert both.saifi == pytest.approx(a.saifi + b.saifi, rel=1e-12)  # rounding
    assert both.saidi_min == pytest.approx(a.saidi_min + b.saidi_min, rel=1e-9)
    assert both.maifi == pytest.approx(a.maifi + b.maifi, rel=1e-12)
    if both.caidi_min is not None:
        assert both.caidi_min == pytest.approx(both.saidi_min / both.saifi, rel=1e-9)


# Textbook radial feeder: four main sections in a row, a lateral off the end of each with its customers.
MAIN_KM, LATERAL_KM = [2, 1, 3, 2], [1, 3, 2, 1]
CUSTOMERS, LOAD_KW = np.array([1000.0, 800.0, 700.0, 500.0]), np.array([5000.0, 4000.0, 3000.0, 2000.0])
RATE = np.array([0.1 * km for km in MAIN_KM] + [0.2 * km for km in LATERAL_KM])
REPAIR_MAIN, REPAIR_LATERAL, SWITCH = 240.0, 120.0, 30.0


def minutes_out(*, fuses: bool, disconnects: bool, backfeed: bool) -> np.ndarray:
    """Minutes out of each load point after each failure, from first principles: rows 4 mains, then 4 laterals."""
    minutes = np.zeros((8, 4))
    for failed in range(4):
        for point in range(4):
            before_failure, behind_failure = point < failed, point > failed
            switched = disconnects and (before_failure or (behind_failure and backfeed))
            minutes[failed, point] = SWITCH if switched else REPAIR_MAIN
            if not fuses or point == failed:  # without a fuse a failed lateral trips the whole feeder until repaired
                minutes[4 + failed, point] = REPAIR_LATERAL
    return minutes


@pytest.mark.published("Billinton and Allan, Reliability Evaluation of Power Systems, ch. 7, radial", from_memory=True)
@pytest.mark.parametrize(
    ("fuses", "disconnects", "backfeed", "saifi", "saidi_h", "caidi_h", "asai", "ens", "hours_at"),
    [
        (False, False, False, 2.20, 6.00, 2.73, 0.999315, 84.0, [6.0, 6.0, 6.0, 6.0]),
        (True, False, False, 1.15, 3.91, 3.39, 0.999554, 54.8, [3.6, 4.4, 4.0, 3.6]),
        (True, True, False, 1.15, 2.58, 2.23, 0.999706, 35.2, [1.5, 2.65, 3.3, 3.6]),
        (True, True, True, 1.15, 1.80, 1.56, 0.999795, 25.1, [1.5, 1.95, 2.25, 1.5]),
    ],
)
def test_value_of_sectionalizing_and_of_a_backfeed(
    *, fuses: bool, disconnects: bool, backfeed: bool, saifi: float, saidi_h: float, caidi_h: float, asai: float,
    ens: float, hours_at: list[float],
) -> None:  # fmt: skip
    minutes = minutes_out(fuses=fuses, disconnects=disconnects, backfeed=backfeed)
    found = predict_indices(RATE, minutes, CUSTOMERS, LOAD_KW)
    assert found.saidi_min is not None
    assert found.caidi_min is not None
    assert found.saifi == pytest.approx(saifi, abs=0.0051)  # printed to 2 places
    assert found.saidi_min / 60 == pytest.approx(saidi_h, abs=0.0051)  # 1.795 is printed 1.80
    assert found.caidi_min / 60 == pytest.approx(caidi_h, abs=0.0051)
    assert found.asai == pytest.approx(asai, abs=0.0000006)  # printed to 6 places
    assert found.energy_not_supplied_mwh == pytest.approx(ens, abs=0.051)  # printed to 1 place
    assert found.minutes_per_year / 60 == pytest.approx(hours_at, abs=1e-9)  # exact but for rounding


def test_a_year_of_records_and_a_prediction_agree() -> None:
    # three failures that happened once each, as rates of 1 per year: the same sums by two routes
    minutes = np.array([[60.0, 0.0], [30.0, 90.0], [0.0, 15.0]])
    customers = np.array([40.0, 60.0])
    stages = [
        (RestorationStage(customers=40, minutes=60.0),),
        (RestorationStage(customers=40, minutes=30.0), RestorationStage(customers=60, minutes=90.0)),
        (RestorationStage(customers=60, minutes=15.0),),
    ]
    past = find_indices([failure(f"F{n}", None, "2011-01-01", stages=s) for n, s in enumerate(stages)], 100, YEAR)
    future = predict_indices(np.ones(3), minutes, customers)
    assert (past.saidi_min, past.saifi) == (pytest.approx(future.saidi_min), pytest.approx(future.saifi))
    assert (past.caidi_min, past.asai) == (pytest.approx(future.caidi_min), pytest.approx(future.asai))
    assert future.energy_not_supplied_mwh is None


def test_predictions_without_interruption_or_customers_say_why() -> None:
    calm = predict_indices(np.zeros(1), np.ones((1, 2)), np.ones(2))
    assert (calm.saifi, calm.caidi_min, calm.reason) == (0.0, None, NO_INTERRUPTION)
    empty = predict_indices(np.ones(1), np.ones((1, 2)), np.zeros(2))
    assert (empty.saidi_min, empty.saifi, empty.asai, empty.reason) == (None, None, None, NO_CUSTOMERS)


def test_predictions_refuse_shapes_and_signs_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match=r"must be \(2, 1\)"):
        predict_indices(np.ones(2), np.ones((1, 2)), np.ones(1))
    with pytest.raises(ValueError, match="one value per point"):
        predict_indices(np.ones(1), np.ones((1, 2)), np.ones(2), np.ones(3))
    with pytest.raises(ValueError, match="must be >= 0"):
        predict_indices(np.ones(1), -np.ones((1, 2)), np.ones(2))
