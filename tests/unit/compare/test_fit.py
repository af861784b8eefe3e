"""Data sheet against measurement: slope per doubling, verdicts, who carries a line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from coilbench_worker.compare.fit import FieldFit, fits, line_of

RMS, TREBLE = "rms_dbfs", "treble_db"
OHMS = {f"p{i:02d}": 6000.0 * 2 ** (i / 6) for i in range(12)}
NOISE = [0.4, -0.7, 0.1, 0.9, -0.3, -0.5, 0.6, 0.2, -0.8, 0.3, -0.1, -0.1]


def levels(slope: float, scatter: float = 1.0, keys: list[str] | None = None) -> dict[str, dict[str, float]]:
    names = list(OHMS) if keys is None else keys
    return {
        key: {RMS: -30.0 + slope * math.log2(OHMS[key] / 6000.0) + scatter * NOISE[index]}
        for index, key in enumerate(names)
    }


def one(members: dict[str, dict[str, float]], field: str = "dcr_ohm", said: dict[str, float] = OHMS) -> FieldFit:
    (found,) = fits(members, {field: said}, quantities=[RMS])
    return found


def test_a_slope_is_counted_in_doublings() -> None:
    found = one(levels(3.0, scatter=1e-3))
    assert (found.verdict, found.unit, found.scale, found.n) == ("predicts", "dB per doubling", "doublings", 12)
    assert found.slope == pytest.approx(3.0, abs=1e-2)
    assert found.sentence.startswith("In this collection of 12 pickups, dcr_ohm goes with RMS level: +3.00 dB per")


def test_fields_that_may_be_zero_or_are_ratios_are_taken_as_they_are() -> None:
    gains = {key: float(index) for index, key in enumerate(OHMS)}
    members = {key: {RMS: -30.0 + 2.0 * gains[key] + NOISE[index] / 100} for index, key in enumerate(OHMS)}
    found = one(members, "preamp_gain_db", gains)
    assert (found.unit, found.scale) == ("dB per dB", "plain")
    assert found.slope == pytest.approx(2.0, abs=0.01)
    own = one(members, "own_number", gains)
    assert (own.unit, own.slope) == ("dB per 1 of own_number", found.slope)


def test_no_slope_is_not_shown_and_says_what_agrees() -> None:
    found = one(levels(0.0))
    assert found.verdict == "not-shown"
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.0 < found.high
    assert "is not shown to predict RMS level: anything from" in found.sentence


@pytest.mark.parametrize("n", [0, 1, 4])
def test_too_few_pickups_say_nothing(n: int) -> None:
    found = one(levels(3.0, keys=list(OHMS)[:n]))
    assert (found.verdict, found.n, found.slope, found.p_holm) == ("too-few", n, None, None)
    assert f"only {n} pickups have both" in found.sentence


def test_few_pickups_carry_a_caution() -> None:
    assert "5 pickups are few" in one(levels(3.0, scatter=0.01, keys=list(OHMS)[:5])).sentence
    assert "few" not in one(levels(3.0, scatter=0.01)).sentence


def test_pickups_that_share_their_values_say_nothing() -> None:
    members = levels(3.0)
    two = {key: 6000.0 if index % 2 else 7000.0 for index, key in enumerate(members)}
    assert "fewer than three values" in str(one(members, said=two).withheld)
    alike = {key: {RMS: -30.0} for key in members}
    assert "read exactly alike" in str(one(alike).withheld)


def test_one_pickup_that_carries_a_line_is_named() -> None:
    members = levels(0.0, scatter=0.5)
    said = {key: 6000.0 + 20.0 * index for index, key in enumerate(members)}
    members["p11"][RMS], said["p11"] = -10.0, 24_000.0
    found = one(members, said=said)
    assert (found.verdict, found.carried_by) == ("predicts", ("p11",))
    assert "Without p11 this would not be shown." in found.sentence
    assert found.slope_without is not None
    assert found.slope is not None
    assert found.slope_without[0] < found.slope


def test_one_pickup_that_hides_a_line_is_named() -> None:
    members = levels(3.0, scatter=0.3)
    members["p11"][RMS] = -45.0
    found = one(members)
    assert (found.verdict, found.carried_by) == ("not-shown", ("p11",))
    assert "Without p11 it would be shown." in found.sentence


def test_holm_covers_all_fields_and_quantities_that_say_something() -> None:
    members = {
        key: {**value, TREBLE: -20.0 - value[RMS] / 50 + NOISE[-index]}
        for index, (key, value) in enumerate(levels(1.2).items())
    }
    fields = {"dcr_ohm": OHMS, "inductance_h": {key: 2.0 + NOISE[i] for i, key in enumerate(OHMS)}, "turns": {}}
    found = fits(members, fields, quantities=[RMS, TREBLE])
    assert [(fit.field, fit.quantity) for fit in found][:3] == [
        ("dcr_ohm", RMS),
        ("dcr_ohm", TREBLE),
        ("inductance_h", RMS),
    ]
    said = [fit for fit in found if fit.p is not None]
    assert len(said) == 4
    adjusted = multipletests([fit.p for fit in said], method="holm")[1]
    assert [fit.p_holm for fit in said] == pytest.approx(list(adjusted), rel=1e-12)


@given(gain_db=st.floats(-40, 40), factor=st.floats(0.01, 100), order=st.permutations(list(OHMS)))
@settings(deadline=None, max_examples=30, derandomize=True)
def test_gain_unit_of_the_field_and_order_change_no_slope(gain_db: float, factor: float, order: list[str]) -> None:
    plain = one(levels(1.0))
    members = levels(1.0)
    moved = one({key: {RMS: members[key][RMS] + gain_db} for key in order}, said={k: factor * OHMS[k] for k in order})
    assert moved.slope == pytest.approx(plain.slope, rel=1e-9)
    assert (moved.low, moved.high) == pytest.approx((plain.low, plain.high), rel=1e-9)
    assert moved.prediction_width == pytest.approx(plain.prediction_width, rel=1e-9)
    assert moved.p == pytest.approx(plain.p, rel=1e-8)


def test_an_exact_line_has_no_error_and_a_flat_one_shows_nothing() -> None:
    exact = line_of([1.0, 2.0, 4.0], [2.0, 4.0, 8.0])
    assert (exact.slope, exact.slope_error, exact.p) == (2.0, 0.0, 0.0)
    flat = line_of([1.0, 2.0, 4.0], [5.0, 5.0, 5.0])
    assert (flat.slope, flat.p, flat.r) == (0.0, 1.0, None)


@pytest.mark.parametrize(
    ("xs", "ys", "words"),
    [
        ([1.0, 2.0], [1.0, 2.0], "three points"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "same x"),
        ([1.0, 2.0, math.inf], [1.0, 2.0, 3.0], "not finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], "not 3 and 2"),
    ],
)
def test_what_has_no_line_is_refused(xs: list[float], ys: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        line_of(xs, ys)


def test_a_further_point_lies_within_the_prediction_interval_as_often_as_said() -> None:
    draw = np.random.default_rng(5)
    x = np.arange(8.0)
    inside = 0
    for _ in range(2000):
        y = 0.7 * x + draw.standard_normal(8)
        line = line_of(list(x), list(y))
        further = 0.7 * line.mean_x + draw.standard_normal()
        inside += abs(further - line.intercept - line.slope * line.mean_x) <= line.prediction_half_width(0.95)
    assert 0.935 <= inside / 2000 <= 0.965  # 3 standard errors of a share


def test_a_line_at_the_edge_of_what_can_be_shown_says_so() -> None:
    slopes = (0.05 + step / 50 for step in range(100))
    steeper = (one(levels(slope)) for slope in slopes)
    found = next(fit for fit in steeper if fit.verdict == "predicts")
    assert len(found.carried_by) > 3
    assert f"Without any one of {len(found.carried_by)} of them this would not be shown." in found.sentence
