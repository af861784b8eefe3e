"""Comparisons against scipy, statsmodels and closed forms; what they withhold; how places are shared."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower

from coilbench_worker.compare.comparison import ONE_TAKE, comparison
from coilbench_worker.compare.gains import UNSTATED, tie
from coilbench_worker.compare.holm import adjusted, holm
from coilbench_worker.compare.observations import Subject, TakeValues, Tie
from coilbench_worker.compare.power import power, smallest_shown
from coilbench_worker.compare.scatter import of_subject, pooled
from coilbench_worker.measure.calibration import CalibrationState, ChainCalibrations, calibration_state, stated


def subject(key: str, *takes: object) -> Subject:
    found = (np.asarray(values, dtype=float) for values in takes)
    return Subject(key, tuple(TakeValues(f"{key}{n}", {"x": tuple(map(float, one))}) for n, one in enumerate(found)))


def drawn(seed: int, subjects: int, takes: int, strums: int, take_sd: float = 1.0) -> list[Subject]:
    random = np.random.default_rng(seed)
    values = random.normal(size=(subjects, takes, strums)) + take_sd * random.normal(size=(subjects, takes, 1))
    return [subject(f"s{index}", *values[index]) for index in range(subjects)]


def values_of(one: Subject) -> np.ndarray:
    return np.array(one.of("x"))


def test_one_take_each_is_the_test_of_welch() -> None:
    one, two = subject("a", [1.0, 2.0, 2.5, 4.0]), subject("b", [3.0, 5.0, 4.5, 4.2, 9.0])
    (row,) = comparison(one, [two], ["x"]).rows
    expected = stats.ttest_ind(two.of("x")[0], one.of("x")[0], equal_var=False)
    low, high = expected.confidence_interval(0.95)
    assert (row.p, row.low, row.high) == pytest.approx((expected.pvalue, low, high))
    assert row.degrees_of_freedom == pytest.approx(expected.df)
    assert (row.method, row.assumes, row.p_holm) == ("welch", ONE_TAKE, row.p)


def test_balanced_takes_are_the_nested_analysis_of_variance() -> None:
    sides = drawn(3, 2, 3, 4)
    (row,) = comparison(sides[0], sides[1:], ["x"]).rows
    means = [values_of(side).mean(axis=1) for side in sides]
    error = 4 * sum(((one - one.mean()) ** 2).sum() for one in means) / 4
    between = 12 * sum((one.mean() - np.mean(means)) ** 2 for one in means)
    assert row.p == pytest.approx(stats.f.sf(between / error, 1, 4))
    assert (row.degrees_of_freedom, row.method) == (4, "nested")


def test_adjusted_values_are_those_of_statsmodels() -> None:
    random = np.random.default_rng(1)
    for size in (1, 2, 7, 40):
        p_values = random.uniform(size=size) ** 3
        assert [step.adjusted for step in holm(p_values)] == pytest.approx(
            list(multipletests(p_values, method="holm")[1])
        )


def test_power_is_that_of_statsmodels() -> None:
    for strums, size in ((4, 2.0), (8, 1.0), (20, 0.8)):
        error, degrees = (2 / strums) ** 0.5, 2.0 * (strums - 1)
        expected = TTestIndPower().power(size, strums, 0.05)
        assert power(size, error, degrees, 0.05) == pytest.approx(expected, abs=1e-6)
        least = smallest_shown(error, degrees, 0.05)
        assert least is not None
        assert power(least, error, degrees, 0.05) == pytest.approx(0.8, abs=1e-3)


def test_turning_the_question_round_turns_the_sign() -> None:
    one, two = drawn(4, 2, 2, 5)
    (there,), (back,) = comparison(one, [two], ["x"]).rows, comparison(two, [one], ["x"]).rows
    assert there.difference is not None
    assert there.low is not None
    assert back.difference == pytest.approx(-there.difference)
    assert back.high == pytest.approx(-there.low)
    assert (back.p, back.smallest_shown) == pytest.approx((there.p, there.smallest_shown))


def test_a_common_shift_moves_no_difference() -> None:
    one, two = drawn(5, 2, 2, 4)
    moved = [subject(side.key, *(values_of(side) + 20.0)) for side in (one, two)]
    (before,), (after,) = comparison(one, [two], ["x"]).rows, comparison(moved[0], moved[1:], ["x"]).rows
    assert (after.difference, after.low, after.p) == pytest.approx((before.difference, before.low, before.p))


VALUES = st.floats(-40, 10).map(lambda value: round(value, 3))
PLANS = st.lists(st.lists(VALUES, min_size=2, max_size=6), min_size=1, max_size=3)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(PLANS, PLANS, st.permutations(range(3)), st.floats(0.01, 100))
def test_order_says_nothing_and_units_scale(
    first: list[list[float]], second: list[list[float]], order: list[int], scale: float
) -> None:
    """Takes and strums in any order give the same row; values in other units give the same p and a scaled interval."""
    one, two = subject("a", *first), subject("b", *second)
    (row,) = comparison(one, [two], ["x"]).rows
    turned = subject("b", *(list(reversed(second[n])) for n in order if n < len(second)))
    (same,) = comparison(one, [turned], ["x"]).rows
    (other,) = comparison(
        subject("a", *(np.array(take) * scale for take in first)),
        [subject("b", *(np.array(take) * scale for take in second))],
        ["x"],
    ).rows
    assert (row.withheld is None) is (same.withheld is None)
    if row.withheld is None and row.standard_error is not None and row.standard_error > 1e-6:
        assert row.low is not None
        assert (same.p, same.low) == pytest.approx((row.p, row.low), rel=1e-6, abs=1e-9)
        assert other.p == pytest.approx(row.p, rel=1e-6)
        assert other.low == pytest.approx(row.low * scale, rel=1e-6, abs=1e-6 * scale)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12), st.floats(0, 1))
def test_one_question_more_lowers_no_adjusted_value(p_values: list[float], further: float) -> None:
    before, after = adjusted(p_values), adjusted([*p_values, further])
    assert all(one <= two + 1e-12 for one, two in zip(before, after, strict=False))


def test_copies_and_single_values_say_nothing() -> None:
    copies = comparison(subject("a", [1.0, 1.0]), [subject("b", [2.0, 2.0])], ["x"]).rows[0]
    single = comparison(subject("a", [1.0]), [subject("b", [2.0, 3.0])], ["x"]).rows[0]
    none = comparison(subject("a", [1.0, 2.0]), [subject("b")], ["x"]).rows[0]
    for row, word in ((copies, "copies"), (single, "more strums"), (none, "not measured")):
        assert row.withheld is not None
        assert word in row.withheld
        assert (row.difference, row.p, row.verdict) == (None, None, None)


def test_a_tie_widens_or_withholds() -> None:
    one, two = drawn(6, 2, 2, 4)
    (plain,) = comparison(one, [two], ["x"]).rows
    (wider,) = comparison(one, [two], ["x"], ties=lambda *_: Tie(0.5, assumes="trust")).rows
    (withheld,) = comparison(one, [two], ["x"], ties=lambda *_: Tie(withheld="gains differ")).rows
    assert plain.standard_error is not None
    assert wider.standard_error == pytest.approx((plain.standard_error**2 + 0.25) ** 0.5)
    assert (wider.assumes, withheld.withheld, withheld.p_holm) == ("trust", "gains differ", None)


def test_places_hold_every_subject_once_and_alike_pairs_lie_apart() -> None:
    sides = [
        subject(side.key, *(values_of(side) + shift))
        for side, shift in zip(drawn(7, 5, 3, 4, 0.2), (0.0, 0.3, 5.0, 5.2, 1.0), strict=True)
    ]
    found = comparison(sides[0], sides[1:], ["x"])
    places = found.ranking["x"]
    assert sorted(key for place in places for key in place) == [side.key for side in sides]
    assert set(places[0]) == {"s2", "s3"}
    place_of = {key: number for number, place in enumerate(places) for key in place}
    assert all(place_of[one] != place_of[two] for one, two in found.alike["x"])


def test_no_ranking_tells_apart_what_its_row_does_not() -> None:
    """Two subjects, six quantities, differences near the limit: places part only where the row says so."""
    parted = 0
    for seed in range(60):
        random = np.random.default_rng(seed)
        values = random.normal(size=(2, 6, 2, 4))
        values[1] += random.uniform(0, 4, (6, 1, 1))
        sides = [
            Subject(
                key,
                tuple(
                    TakeValues(f"{key}{take}", {f"q{q}": tuple(map(float, values[n, q, take])) for q in range(6)})
                    for take in range(2)
                ),
            )
            for n, key in enumerate("ab")
        ]
        found = comparison(sides[0], sides[1:], [f"q{q}" for q in range(6)])
        for row in found.rows:
            apart = len(found.ranking[row.quantity]) == 2
            parted += apart
            assert apart is (row.verdict != "no-difference-shown")
    assert 20 < parted < 340


def test_a_single_take_among_several_is_named() -> None:
    several, single = drawn(8, 1, 2, 4)[0], subject("one", [0.0, 1.0, 2.0])
    (row,) = comparison(several, [single], ["x"]).rows
    assert row.method == "nested"
    assert "there is one take of one" in (row.assumes or "")


def test_takes_to_settle_counts_on_the_two_and_what_the_others_have() -> None:
    shifts = (0.0, 1.2, 0.0, 0.0)
    sides = [
        subject(side.key, *(values_of(side) + shift)) for side, shift in zip(drawn(9, 4, 2, 4), shifts, strict=True)
    ]
    row = comparison(sides[0], sides[1:2], ["x"]).rows[0]
    assert row.takes_to_settle is not None
    assert row.difference is not None
    assert row.strums_to_settle == 4 * row.takes_to_settle
    shared = pooled([of_subject(side.of("x")) for side in sides[:2]])
    variance = shared.between_variance + shared.strum_variance / 4
    for takes, enough in ((row.takes_to_settle, True), (row.takes_to_settle - 1, False)):
        shown = power(row.difference, (2 * variance / takes) ** 0.5, 2.0 * (takes - 1), 0.05) >= 0.8
        assert shown is enough
    among = comparison(sides[0], sides[1:], ["x"]).rows[0]
    assert among.takes_to_settle is not None or among.not_to_settle is not None


def test_what_would_settle_it_would() -> None:
    one, two = subject("a", [0.0, 1.0, 2.0, 3.0]), subject("b", [0.8, 1.2, 2.9, 3.3])
    (row,) = comparison(one, [two], ["x"]).rows
    assert row.verdict == "no-difference-shown"
    assert row.strums_to_settle is not None
    assert row.difference is not None
    variances = sum(np.var(side.of("x")[0], ddof=1) for side in (one, two))
    for strums, enough in ((row.strums_to_settle, True), (row.strums_to_settle - 1, False)):
        error = (variances / strums) ** 0.5
        assert (power(row.difference, error, 2.0 * (strums - 1), 0.05) >= 0.8) is enough


@pytest.mark.parametrize("take_sd", [0.0, 1.0])
def test_intervals_of_two_takes_hold_the_truth_and_false_alarms_stay_rare(take_sd: float) -> None:
    """1,000 seeded plans of 2 takes x 4 strums, three others: 95 % within 4 standard errors of a share (2.8 %)."""
    held = alarms = 0
    for seed in range(1000):
        sides = drawn(1000 + seed, 4, 2, 4, take_sd)
        rows = comparison(sides[0], sides[1:], ["x"]).rows
        held += rows[0].low <= 0.0 <= rows[0].high  # type: ignore[operator]
        alarms += any(row.verdict != "no-difference-shown" for row in rows)
    assert 922 <= held <= 978
    assert alarms <= 78


def state(gain_db: float | None, *, calibrated: bool = False, chain: str | None = None) -> CalibrationState:
    known = None
    if calibrated:
        at = (stated(10.0, full_scale_v_rms=2.0, expanded_uncertainty_db=0.6),)
        known = ChainCalibrations(chain or "desk", at, 0.4)
    about = {"input_gain_db": gain_db, "chain": chain or ("desk" if calibrated else None)}
    return calibration_state({name: value for name, value in about.items() if value is not None}, known)


def test_levels_hang_together_through_gain_and_chain() -> None:
    assert tie([state(10.0, chain="d")], [state(10.0, chain="d")]) == Tie()
    assert tie([state(None)], [state(None)]).assumes == UNSTATED
    assert "input gain" in (tie([state(None)], [state(10.0)]).withheld or "")
    assert "gains differ" in (tie([state(10.0)], [state(20.0)]).withheld or "")
    step = tie([state(10.0, calibrated=True)], [state(20.0, calibrated=True)])
    assert (step.withheld, step.standard_uncertainty) == (None, pytest.approx(0.2))
    other = tie([state(10.0, calibrated=True)], [state(20.0, calibrated=True, chain="tape")])
    assert other.standard_uncertainty == pytest.approx((0.3**2 + 0.3**2 + 0.2**2) ** 0.5)


def test_two_calibrations_are_two_and_two_moves_are_one_step() -> None:
    """Equal budgets of two gains are not one error; gains that rest on one calibration differ by one step."""
    both = tuple(stated(gain, full_scale_v_rms=2.0, expanded_uncertainty_db=0.4) for gain in (20.0, 30.0))
    chain = ChainCalibrations("desk", both, 0.3)
    own = [calibration_state({"chain": "desk", "input_gain_db": gain}, chain) for gain in (20.0, 30.0)]
    assert tie(own[:1], own[1:]).standard_uncertainty == pytest.approx(0.2 * 2**0.5)
    single = ChainCalibrations("desk", both[:1], 0.3)
    moved = [calibration_state({"chain": "desk", "input_gain_db": gain}, single) for gain in (26.0, 32.0)]
    assert tie(moved[:1], moved[1:]).standard_uncertainty == pytest.approx(0.15)
