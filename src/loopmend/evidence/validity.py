"""Check whether a test is valid where it is made. A test that is not valid widens the suspicion, never narrows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from loopmend.errors import Finding
from loopmend.evidence.methods import Method, search_voltage_kv
from loopmend.evidence.rules import VerdictName

EndState = Literal["parked", "closed", "grounded", "unknown", "joined"]
Winding = Literal["none", "to_ground", "phase_to_phase", "unknown"]
LAYER = "test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Where and how a test is made, as the crew and the network know it. None means nobody knows.

    Attributes
    ----------
    span_ids
        The spans under test, in order, at least one.
    near_end, far_end
        State of the two outermost ends: `parked`, `closed` (on its bushing), `joined` (on a feed-through, so that the
        cable beyond it is under test too), `grounded`, `unknown`.
    winding
        What stays connected to the stretch: `none`, `to_ground` (a wye-grounded or single-phase primary),
        `phase_to_phase` (a delta primary), `unknown`.
    live_bushing_here
        Whether a live bushing of the same enclosure can feed the test.
    arrester_connected, ground_connected
        Whether any is left on the stretch.
    proven_dead
        Whether absence of voltage was proven at the near end just before.
    far_end_guarded
        Whether somebody, or a lock, keeps people from the far end.
    indicator_mounted
        Whether there is an indicator to look at.
    energizing_allowed, suspected_bad
        Whether the company allows closing as a test, and whether evidence speaks against the stretch.
    test_kv
        Highest voltage applied, kV crest, where it is set.
    phase_to_ground_kv
        Nominal, kV rms, where known.
    new_cable
        Whether all of it is new and not yet in service.
    """

    span_ids: tuple[str, ...]
    near_end: EndState = "unknown"
    far_end: EndState = "unknown"
    winding: Winding = "unknown"
    live_bushing_here: bool | None = None
    arrester_connected: bool | None = None
    ground_connected: bool | None = None
    proven_dead: bool | None = None
    far_end_guarded: bool | None = None
    indicator_mounted: bool | None = None
    energizing_allowed: bool | None = None
    suspected_bad: bool | None = None
    test_kv: float | None = None
    phase_to_ground_kv: float | None = None
    new_cable: bool = False


def check_validity(method: Method, situation: Situation) -> list[Finding]:
    """List what makes a test invalid, or worth a warning, where it is made.

    Parameters
    ----------
    method
        From `loopmend.evidence.methods.load_methods`.
    situation
        Where and how it is made.

    Returns
    -------
    list of Finding
        Severity `problem`: the result is invalid and must not narrow the suspects; an unknown that matters counts
        as such. Severity `warning`: valid, with a caution. Empty: valid.
    """
    asset = " ".join(situation.span_ids)
    findings = [finding for need in method.needs for finding in _check_need(need, method, situation, asset)]
    return findings + _check_voltage(method, situation, asset) + _check_stretch(method, situation, asset)


def is_valid(findings: Sequence[Finding]) -> bool:
    """Tell whether a test may count as evidence: no finding is a problem."""
    return all(finding.severity == "warning" for finding in findings)


def usable_verdict(verdict: VerdictName, findings: Sequence[Finding]) -> tuple[VerdictName, tuple[str, ...]]:
    """Turn the verdict of a test into one that may be used as evidence.

    Returns
    -------
    tuple
        The verdict itself if the test was valid, else `inconclusive`; and the reasons it was not valid.
    """
    reasons = tuple(str(finding) for finding in findings if finding.severity == "problem")
    return ("inconclusive" if reasons else verdict), reasons


def _problem(asset: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset, layer=LAYER, problem=problem, value=str(value), remedy=remedy)


def _warning(asset: str, problem: str, value: object, remedy: str) -> Finding:
    return Finding(asset_id=asset, layer=LAYER, problem=problem, value=str(value), remedy=remedy, severity="warning")


def _check_need(need: str, method: Method, situation: Situation, asset: str) -> list[Finding]:
    if need == "ends_parked":
        return _check_ends(situation, asset, both=True)
    if need == "near_end_open":
        return _check_ends(situation, asset, both=False)
    if need == "no_winding":
        return _check_winding(method, situation, asset)
    value, wanted, problem, remedy = _plain_need(need, situation)
    if value is wanted:
        return []
    return [_problem(asset, problem, "not known" if value is None else "it is not so", remedy)]


def _plain_need(need: str, situation: Situation) -> tuple[bool | None, bool, str, str]:
    return {
        "far_end_guarded": (
            situation.far_end_guarded,
            True,
            "the far end must be guarded",
            "post a person or lock the far enclosure",
        ),
        "live_bushing_here": (
            situation.live_bushing_here,
            True,
            "a live bushing at the same enclosure must feed the set",
            "test from an end with a live bushing, or use a set with its own source",
        ),
        "no_arrester": (
            situation.arrester_connected,
            False,
            "no arrester may be connected",
            "take elbow and parking-stand arresters off",
        ),
        "no_ground": (situation.ground_connected, False, "no ground may be connected", "take all grounds off"),
        "proven_dead": (
            situation.proven_dead,
            True,
            "the near end must be proven dead",
            "test the tester, test, test the tester",
        ),
        "indicator_mounted": (
            situation.indicator_mounted,
            True,
            "there must be an indicator",
            "record not_seen, or choose another method",
        ),
        "company_allows_energizing": (
            situation.energizing_allowed,
            True,
            "the company must allow energizing as a test",
            "use a test on the isolated span",
        ),
        "not_suspected_bad": (
            situation.suspected_bad,
            False,
            "the stretch must not be suspected of the fault",
            "prove it by a test on the isolated span first",
        ),
    }[need]


def _check_ends(situation: Situation, asset: str, *, both: bool) -> list[Finding]:
    ends = {"near": situation.near_end, "far": situation.far_end} if both else {"near": situation.near_end}
    findings = [
        _problem(asset, f"the {name} end must be parked", state, _how_to_park(state))
        for name, state in ends.items()
        if state != "parked"
    ]
    if not both and situation.far_end != "parked":
        far = f"the far end is {situation.far_end}: the end echo will look like that"
        findings.append(_warning(asset, far, situation.far_end, "note it beside the trace"))
    return findings


def _how_to_park(state: EndState) -> str:
    if state == "joined":
        return "take the elbow off the feed-through, park it on an insulated stand and tag it"
    return "park the elbow on an insulated stand and tag it"


def _check_winding(method: Method, situation: Situation, asset: str) -> list[Finding]:
    """A winding to ground passes direct current: the reading tells of the winding, not of the cable."""
    if situation.winding == "none":
        return []
    if situation.winding == "unknown":
        return [
            _problem(asset, "it is not known whether a winding is connected", "unknown", "park past each transformer")
        ]
    if situation.winding == "phase_to_phase" and method.applies == "direct":
        return [
            _warning(
                asset,
                "a delta winding joins the phases: the test is of all phases together, to ground only",
                situation.winding,
                "park the elbows to test one phase",
            )
        ]
    return [
        _problem(
            asset,
            "a winding stays connected, so the test is invalid (which is not the same as failed)",
            situation.winding,
            "park the elbows on both sides of each transformer, or join them by a feed-through, and test again",
        )
    ]


def _check_voltage(method: Method, situation: Situation, asset: str) -> list[Finding]:
    if method.applies != "direct" or situation.test_kv is None or situation.new_cable:
        return []
    if situation.phase_to_ground_kv is None:
        return [_warning(asset, "phase-to-ground voltage is not known", situation.test_kv, "look it up before testing")]
    limit = search_voltage_kv(situation.phase_to_ground_kv)
    if situation.test_kv <= limit * 1.001:
        return []
    return [
        _warning(
            asset,
            f"direct voltage above the crest of phase-to-ground ({limit:.1f} kV) can harm aged extruded cable",
            f"{situation.test_kv:g} kV",
            f"stay at or below {limit:.1f} kV",
        )
    ]


def _check_stretch(method: Method, situation: Situation, asset: str) -> list[Finding]:
    if method.method_id == "reflectometer" and situation.winding not in ("none", "unknown"):
        problem = "each transformer on the way gives an echo of its own"
        return [_warning(asset, problem, situation.winding, "mark their distances beside the trace")]
    if len(situation.span_ids) > 1 and method.applies == "direct":
        problem = "several spans are tested together: bad means one of them, good means all"
        return [_warning(asset, problem, len(situation.span_ids), "test each apart if it comes out bad")]
    return []
