"""How a report writes figures, intervals and lists."""

from __future__ import annotations

import pytest

from coilbench_service.writing import figure, interval, listed, plain, said, signed, some


@pytest.mark.parametrize(
    ("value", "decimals", "written"),
    [(-21.34, 1, "−21.3"), (-0.04, 1, "0.0"), (0.0, 0, "0"), (3.0, 2, "3.00"), (None, 1, "–"), (float("nan"), 1, "–")],
)
def test_figures_have_a_real_minus_sign_and_no_negative_zero(value: float | None, decimals: int, written: str) -> None:
    assert figure(value, decimals) == written


def test_differences_carry_their_sign() -> None:
    assert [signed(value, 1) for value in (2.0, -2.0, 0.01, None)] == ["+2.0", "−2.0", "0.0", "–"]


def test_intervals_have_both_ends_or_none() -> None:
    assert interval(-1.26, 0.5, 1) == "−1.3 to 0.5"
    assert interval(None, 0.5, 1) == "–"


def test_minus_signs_within_sentences_are_not_those_of_names_and_dates() -> None:
    assert said("mill-2 of 2026-03-01: -3.2 dB (-4.0 to -1)") == "mill-2 of 2026-03-01: −3.2 dB (−4.0 to −1)"


def test_lists_end_in_a_word_and_long_ones_are_counted() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"], "or") == "a, b or c"
    assert some(list("abcde"), 3) == "a, b, c and 2 more"


@pytest.mark.parametrize(
    ("value", "written"), [(True, "yes"), (12.50, "12.5"), (1234567, "1234567"), (["a", 1], "a, 1"), (None, "–")]
)
def test_values_of_any_kind_become_text(value: object, written: str) -> None:
    assert plain(value) == written
