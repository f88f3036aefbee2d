"""What standing proofs allow: worked cases, and laws that hold whatever the records."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from loopmend.locate.proofs import find_permit, permit_all, weigh_proofs

A, B, C = "A", "B", "C"


def spans(*names: str) -> frozenset[str]:
    return frozenset(names)


def test_a_good_test_proves_its_spans_and_no_others() -> None:
    proofs = weigh_proofs([(spans(A, B), False)])
    assert proofs.allows(spans(A), tested=True)
    assert proofs.allows(spans(A, B), tested=True)
    assert not proofs.allows(spans(A, B, C), tested=True)
    assert proofs.allows(spans(A, B, C), tested=False)


def test_two_good_tests_together_prove_what_each_proves() -> None:
    assert weigh_proofs([(spans(A), False), (spans(B), False)]).allows(spans(A, B), tested=True)


def test_a_bad_test_of_a_larger_stretch_leaves_a_proven_part_proven() -> None:
    # The fault may lie in C: the proof of A and B stands, but nothing that holds all three may be closed.
    proofs = weigh_proofs([(spans(A, B), False), (spans(A, B, C), True)])
    assert proofs.allows(spans(A, B), tested=True)
    assert not proofs.allows(spans(A, B, C), tested=False)


def test_a_bad_test_of_what_was_proven_withdraws_the_proof_and_a_later_good_one_gives_it_back() -> None:
    records = [(spans(A, B), False), (spans(A), True)]
    assert not weigh_proofs(records).allows(spans(A), tested=False)
    assert not weigh_proofs(records).allows(spans(A, B), tested=False)
    assert weigh_proofs(records).allows(spans(B), tested=True)
    assert weigh_proofs([*records, (spans(A), False)]).allows(spans(A, B), tested=True)


def test_a_stretch_that_did_not_hold_is_not_closed_again_without_a_good_test() -> None:
    permit = find_permit([A, B, C], [(spans(A), True)], [spans(A)], "untested", 2)
    assert not permit.now[0, 1]
    assert permit.once_good[0, 1]
    spent = find_permit([A, B, C], [(spans(A), True)] * 2, [spans(A)] * 2, "untested", 2)
    assert not spent.once_good[0, 1]
    assert spent.once_good[1, 1]  # the other side was never tried


def test_equipment_alone_is_neither_tested_nor_energized() -> None:
    permit = find_permit(["", A, ""], [], [], "untested", 9)
    assert not permit.once_good[0, 1]
    assert not permit.once_good[1, 2]
    assert permit.now[0, 2]


def test_the_rule_of_the_company_decides_without_any_record() -> None:
    for rule, allowed in (("never", False), ("after_test", False), ("untested", True)):
        permit = find_permit([A, B], [], [], rule, 2)  # type: ignore[arg-type]
        assert bool(permit.now[0, 1]) is allowed
        assert permit.once_good[0, 1]
    assert permit_all(2).now.all()


RECORDS = st.lists(st.tuples(st.frozensets(st.sampled_from("ABCDE"), min_size=1), st.booleans()), max_size=8)


@given(RECORDS, st.frozensets(st.sampled_from("ABCDE"), min_size=1))
def test_what_is_allowed_tested_is_allowed_untested_and_a_bad_last_word_forbids(
    records: list[tuple[frozenset[str], bool]], stretch: frozenset[str]
) -> None:
    proofs = weigh_proofs(records)
    assert proofs.allows(stretch, tested=False) or not proofs.allows(stretch, tested=True)
    assert not weigh_proofs([*records, (stretch, True)]).allows(stretch, tested=False)
    assert weigh_proofs([*records, (stretch, False)]).allows(stretch, tested=True)
