"""Which pickup the others are held against where nobody says."""

from __future__ import annotations

from coilbench_service.report.baseline import chosen_baseline


def test_reference_of_the_sheet_is_taken_where_it_has_a_take_that_counts() -> None:
    found = chosen_baseline({"extra": {"reference": "mill"}}, {"harbour": 3, "mill": 1})
    assert found is not None
    assert (found.key, found.why) == ("mill", "mill is the reference that the session's sheet names.")


def test_reference_without_such_a_take_is_passed_over_and_said_so() -> None:
    found = chosen_baseline({"extra": {"reference": "mill"}}, {"harbour": 3, "ferry": 1})
    assert found is not None
    assert found.key == "harbour"
    assert found.why is not None
    assert "the most takes that count (3)" in found.why
    assert "The sheet's reference, mill, has no take here that counts." in found.why


def test_of_equals_the_first_by_name_is_taken_and_said_so() -> None:
    found = chosen_baseline(None, {"harbour": 2, "ferry": 2, "mill": 1})
    assert found is not None
    assert found.key == "ferry"
    assert found.why is not None
    assert "the first by name of those with 2 takes" in found.why


def test_nothing_is_chosen_where_nothing_counts() -> None:
    assert chosen_baseline({"extra": {"reference": "mill"}}, {}) is None
