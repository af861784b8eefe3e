"""Groups of pickups: each counts once, all pairs by Welch, Holm over all, and fields that go together."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from coilbench_worker.compare.groups import NO_SAMPLE, NO_SCATTER, ONE_PICKUP, groups
from coilbench_worker.compare.observations import Subject, TakeValues
from coilbench_worker.compare.pickup_value import pickup_value

RMS, CREST = "rms_dbfs", "crest_db"
VALUES = {
    "a": {RMS: -30.0, CREST: 12.0},
    "b": {RMS: -28.5, CREST: 11.2},
    "c": {RMS: -31.2, CREST: 12.9},
    "d": {RMS: -22.0, CREST: 11.5},
    "e": {RMS: -20.6, CREST: 10.1},
    "f": {RMS: -26.4, CREST: 13.0},
    "g": {RMS: -25.1, CREST: 12.2},
}
MAGNET = {
    "a": "Alnico 5",
    "b": "alnico  5",
    "c": "alnico 5",
    "d": "ceramic",
    "e": "ceramic",
    "f": "steel",
    "g": "steel",
}


def by_magnet(**changes: object) -> object:
    return groups(VALUES, MAGNET, field="magnet", quantities=[RMS, CREST], **changes)  # type: ignore[arg-type]


def test_a_pickup_is_the_unweighted_mean_of_its_take_means() -> None:
    takes = (TakeValues("1", {RMS: (-30.0, -28.0)}), TakeValues("2", {RMS: (-20.0, -21.0, -22.0, -21.0)}))
    assert pickup_value(Subject("a", takes), RMS) == pytest.approx((-29.0 - 21.0) / 2)
    assert pickup_value(Subject("a", takes), CREST) is None


def test_evenness_is_what_is_within_takes_and_not_between_them() -> None:
    takes = (TakeValues("1", {RMS: (-30.0, -28.0)}), TakeValues("2", {RMS: (-10.0, -11.0, -12.0)}))
    by_hand = math.sqrt((2.0 + 2.0) / 3)  # sums of squares 2 and 2, degrees of freedom 1 and 2
    assert pickup_value(Subject("a", takes), "evenness_db") == pytest.approx(by_hand)
    one = TakeValues("1", {RMS: (-30.0,), "evenness_db": (0.0,)})
    assert pickup_value(Subject("a", (one,)), "evenness_db") is None


def test_all_pairs_are_those_of_welch_and_holm_covers_them_all() -> None:
    found = by_magnet()
    assert [(one.value, one.members) for one in found.groups] == [
        ("Alnico 5", ("a", "b", "c")), ("ceramic", ("d", "e")), ("steel", ("f", "g"))
    ]  # fmt: skip
    assert len(found.pairs) == 6
    for pair in found.pairs:
        sides = [
            [VALUES[key][pair.quantity] for key in one.members]
            for value in (pair.other, pair.baseline)
            for one in found.groups
            if one.value == value
        ]
        test = stats.ttest_ind(*sides, equal_var=False)
        assert pair.p == pytest.approx(test.pvalue, rel=1e-9)
        assert (pair.low, pair.high) == pytest.approx(tuple(test.confidence_interval(0.95)), rel=1e-9)
        assert pair.difference == pytest.approx(np.mean(sides[0]) - np.mean(sides[1]))
    adjusted = multipletests([pair.p for pair in found.pairs], method="holm")[1]
    assert [pair.p_holm for pair in found.pairs] == pytest.approx(list(adjusted), rel=1e-12)


def test_means_have_the_interval_of_students_t() -> None:
    mean = by_magnet().groups[0].means[RMS]
    values = [VALUES[key][RMS] for key in "abc"]
    low, high = stats.t.interval(0.95, 2, np.mean(values), stats.sem(values))
    assert (mean.n, mean.mean, mean.low, mean.high) == pytest.approx((3, np.mean(values), low, high))


def test_a_verdict_is_in_words_with_unit_and_interval() -> None:
    active = dict.fromkeys("abcfg", False) | dict.fromkeys("de", True)
    values = {key: {RMS: value[RMS] + (30.0 if active[key] else 0.0)} for key, value in VALUES.items()}
    (pair,) = groups(values, active, field="active", quantities=[RMS]).pairs
    assert (pair.baseline, pair.other, pair.verdict) == (False, True, "higher")
    assert pair.sentence.startswith("Active against passive: hotter, RMS level +3")
    assert f"(95 %: {pair.low:+.1f} to {pair.high:+.1f})" in pair.sentence


def test_nothing_shown_says_what_may_be() -> None:
    pair = next(pair for pair in by_magnet().pairs if pair.quantity == CREST)
    assert pair.verdict == "no-difference-shown"
    assert "no difference in crest factor shown; it may lie anywhere from" in pair.sentence


def test_a_group_of_one_has_a_difference_but_no_interval() -> None:
    field = {"a": "alnico 5", "b": "alnico 5", "d": "ceramic"}
    found = groups(VALUES, field, field="magnet", quantities=[RMS])
    (pair,) = found.pairs
    assert pair.difference == pytest.approx(-22.0 + 29.25)
    assert (pair.low, pair.p, pair.p_holm, pair.verdict, pair.withheld) == (None, None, None, None, ONE_PICKUP)
    assert found.groups[1].means[RMS].sd is None


def test_withheld_pairs_are_not_counted_by_holm() -> None:
    field = {"a": "x", "b": "x", "c": "x", "d": "y", "e": "y", "f": "z"}
    with_one = groups(VALUES, field, field="magnet", quantities=[RMS]).pairs[0]
    without = groups(VALUES, {key: field[key] for key in "abcde"}, field="magnet", quantities=[RMS]).pairs[0]
    assert with_one.p_holm == without.p_holm == without.p


def test_copies_are_withheld_and_missing_values_are_named() -> None:
    same = {key: {RMS: -20.0} for key in "abcd"}
    field = {"a": "x", "b": "x", "c": "y", "d": "y"}
    (pair,) = groups(same, field, field="magnet", quantities=[RMS]).pairs
    assert (pair.difference, pair.withheld) == (None, NO_SCATTER)
    (pair,) = groups(same, field, field="magnet", quantities=[CREST]).pairs
    assert "no pickup" in str(pair.withheld)


def test_pickups_without_the_field_are_passed_over_and_yes_is_not_one() -> None:
    found = groups(VALUES, {"a": True, "b": 1, "c": 1.0, "d": False}, field="own", quantities=[RMS])
    assert [(one.value, one.members) for one in found.groups] == [(False, ("d",)), (True, ("a",)), (1, ("b", "c"))]


def test_a_collection_is_said_to_be_no_sample_and_small_groups_are_named() -> None:
    assert NO_SAMPLE in by_magnet().cautions
    assert any("Alnico 5 3, ceramic 2, steel 2" in one for one in by_magnet().cautions)
    alike = groups(VALUES, dict.fromkeys(VALUES, "x"), field="magnet", quantities=[RMS])
    assert ["nothing to compare" in one for one in alike.cautions] == [True]
    apart = groups(VALUES, {key: key for key in VALUES}, field="magnet", quantities=[RMS])
    assert any("no groups to compare" in one for one in apart.cautions)


def confounded(field: dict[str, object], sheets: dict[str, dict[str, object]]) -> list[tuple[str, str]]:
    found = groups(VALUES, field, field="active", quantities=[RMS], sheets=sheets)  # type: ignore[arg-type]
    told = [one for one in found.cautions if "may be due to" in one]
    assert bool(told) == bool(found.confounded)
    assert all(one.field in " ".join(told) for one in found.confounded)
    return [(one.field, one.kind) for one in found.confounded]


ACTIVE: dict[str, object] = dict.fromkeys("abcf", False) | dict.fromkeys("deg", True)


def sheets_of(name: str, values: dict[str, object]) -> dict[str, dict[str, object]]:
    return {key: {name: value, "active": ACTIVE[key]} for key, value in values.items()}


def test_a_field_that_divides_alike_is_told() -> None:
    coils = {key: "humbucker" if ACTIVE[key] else "single coil" for key in VALUES}
    assert confounded(ACTIVE, sheets_of("construction", coils)) == [("construction", "same-split")]
    assert confounded(ACTIVE, sheets_of("construction", {**coils, "a": "Humbucker"})) == [("construction", "one-alike")]
    mixed: dict[str, object] = dict(zip(VALUES, ["x", "y"] * 4, strict=False))
    assert confounded(ACTIVE, sheets_of("construction", mixed)) == []


def test_groups_without_a_value_in_common_are_told() -> None:
    magnets: dict[str, object] = {"a": "x", "b": "x", "c": "y", "f": "y", "d": "z", "e": "z", "g": "w"}
    assert confounded(ACTIVE, sheets_of("magnet", magnets)) == [("magnet", "no-overlap")]
    names: dict[str, object] = {key: f"serial {key}" for key in VALUES}  # all different says nothing
    assert confounded(ACTIVE, sheets_of("serial", names)) == []


def test_numbers_that_lie_apart_are_told() -> None:
    ohms: dict[str, object] = {"a": 6000.0, "b": 6200, "c": 7100, "f": 7000, "d": 10700, "e": 11000, "g": 9900}
    assert confounded(ACTIVE, sheets_of("dcr_ohm", ohms)) == [("dcr_ohm", "no-overlap")]
    assert confounded(ACTIVE, sheets_of("dcr_ohm", {**ohms, "d": 7050})) == []


def test_many_fields_are_told_in_one_sentence_for_a_pair() -> None:
    sheets = {
        key: {
            "turns": 8000 + 100 * number + 5000 * bool(active),
            "dcr_ohm": 6000 + number + 4000 * bool(active),
            "rated_output_mv": number,
        }
        for number, (key, active) in enumerate(sorted(ACTIVE.items(), key=lambda item: bool(item[1])))
    }
    found = groups(VALUES, ACTIVE, field="active", quantities=[RMS], sheets=sheets)  # type: ignore[arg-type]
    (told,) = (one for one in found.cautions if "due to" in one)
    assert told == (
        "Passive and active have nothing in common in dcr_ohm, turns either: what differs between them may be due to "
        "any of these as well as to active."
    )


def test_an_interval_that_leaves_out_zero_by_itself_says_why_nothing_is_shown() -> None:
    pairs = [pair for pair in by_magnet().pairs if pair.verdict == "no-difference-shown"]
    odd = [pair for pair in pairs if pair.low * pair.high > 0]
    assert odd
    assert all("among all that was asked together it may be chance" in pair.sentence for pair in odd)
    even = [pair for pair in pairs if pair.low * pair.high < 0]
    assert even
    assert not any("chance" in pair.sentence for pair in even)


level = st.floats(-60, 0, allow_nan=False).map(lambda value: round(value, 3))


@given(
    values=st.lists(level, min_size=7, max_size=7),
    gain_db=st.floats(-30, 30).map(lambda value: round(value, 3)),
    order=st.permutations(list(VALUES)),
)
@settings(deadline=None, max_examples=30, derandomize=True)
def test_gain_and_order_change_no_difference(values: list[float], gain_db: float, order: list[str]) -> None:
    plain = {key: {RMS: value} for key, value in zip(VALUES, values, strict=True)}
    moved = {key: {RMS: plain[key][RMS] + gain_db} for key in order}
    first = groups(plain, MAGNET, field="magnet", quantities=[RMS]).pairs
    second = groups(moved, {key: MAGNET[key] for key in order}, field="magnet", quantities=[RMS]).pairs
    for one, other in zip(first, second, strict=True):
        if one.low is None or other.low is None:
            continue
        assert other.difference == pytest.approx(one.difference, abs=1e-6)
        assert other.low == pytest.approx(one.low, abs=1e-4)


def test_what_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="'a' is not finite"):
        groups({"a": {RMS: math.nan}}, {"a": "x"}, field="magnet", quantities=[RMS])
    with pytest.raises(ValueError, match="between 0 and 1"):
        by_magnet(confidence=1.0)
