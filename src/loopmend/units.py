"""Conversions, in one place. Inside: metres, kilovolts, amperes, minutes, kilometre-years."""

from __future__ import annotations

FOOT_M = 0.3048
"""Metres in an international foot, exact by definition (1959 agreement)."""

US_SURVEY_FOOT_M = 1200.0 / 3937.0
"""Metres in a US survey foot, exact by definition (1893 order)."""

MILE_M = 1609.344
"""Metres in an international mile, exact by definition."""

LENGTH_UNITS_M = {"m": 1.0, "km": 1000.0, "ft": FOOT_M, "us_ft": US_SURVEY_FOOT_M, "mi": MILE_M}
"""Metres in each length unit that a field map or a screen may name."""


def feet_from_metres(length_m: float) -> float:
    """Convert metres to international feet."""
    return length_m / FOOT_M


def rate_per_100_miles(rate_per_100_km: float) -> float:
    """Convert a rate per 100 kilometre-years to one per 100 mile-years."""
    return rate_per_100_km * MILE_M / 1000.0
