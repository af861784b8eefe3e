"""A wish against candidates: what counts as a miss, what fits, who shares a place, and the same in words."""

from __future__ import annotations

from math import inf, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.compare.choice import Change, Choice, Wish, choose
from coilbench_worker.compare.columns import columns
from coilbench_worker.compare.ear import audible, ear_step
from coilbench_worker.compare.explanation import explanation, verdict, wished
from coilbench_worker.compare.words import DIRECTIONS, WORDS
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.statistics import student_t

TREBLE, RMS, BASS = "treble_db", "rms_dbfs", "bass_db"
BRIGHT = Wish(TREBLE, "more", None, 1.0)
TWO_MORE = Wish(TREBLE, "more", 2.0, 1.0)
TWO_LESS = Wish(TREBLE, "less", 2.0, 1.0)
SAME = Wish(TREBLE, "same", None, 1.0)


def of(change: float, error: float = 0.1, degrees: float = 10.0) -> Change:
    return Change(change, error, degrees)


def one(wish: Wish, change: float, error: float = 0.1) -> Choice:
    return choose([wish], {"a": {wish.quantity: of(change, error)}})


@pytest.mark.parametrize(
    ("wish", "change", "miss", "met"),
    [
        (TWO_MORE, 2.0, 0.0, True),
        (TWO_MORE, 4.0, 2.0, False),  # two dB more than asked for are a miss of two
        (TWO_MORE, 3.0, 1.0, True),  # within a step
        (TWO_MORE, 0.0, 2.0, False),
        (TWO_MORE, -2.0, 4.0, False),
        (TWO_LESS, -2.5, 0.5, True),
        (TWO_LESS, 2.0, 4.0, False),
        (BRIGHT, 1.0, 0.0, True),
        (BRIGHT, 9.0, 0.0, True),  # brighter than asked for is bright
        (BRIGHT, 0.75, 0.25, False),  # not a step that an ear can tell
        (BRIGHT, 0.0, 1.0, False),
        (BRIGHT, -3.0, 4.0, False),
        (Wish(TREBLE, "less", None, 0.5), -0.5, 0.0, True),
        (Wish(TREBLE, "less", None, 0.5), 0.25, 0.75, False),
        (SAME, 0.0, 0.0, True),
        (SAME, -1.0, 1.0, True),
        (SAME, 1.5, 1.5, False),
    ],
)
def test_a_miss_is_what_a_player_expects(wish: Wish, change: float, miss: float, met: bool) -> None:
    (candidate,) = one(wish, change).ranking
    (item,) = candidate.items
    assert (item.miss, item.met, candidate.fits) == (pytest.approx(miss), met, met)
    assert item.miss_in_uncertainty == pytest.approx(miss / 0.1)
    assert item.miss_in_ear_steps == pytest.approx(miss / wish.ear_step)


def test_a_change_has_the_interval_of_students_t() -> None:
    (item,) = choose([SAME], {"a": {TREBLE: of(1.5, 0.4, 7.5)}}, 0.9).ranking[0].items
    assert (item.low, item.high) == pytest.approx((1.5 - 0.4 * student_t(7.5, 0.9), 1.5 + 0.4 * student_t(7.5, 0.9)))


@pytest.mark.parametrize(
    ("wish", "change", "error", "sure"),
    [
        (SAME, 0.0, 0.1, True),
        (SAME, 0.95, 0.1, False),
        (SAME, 1.05, 0.1, False),
        (SAME, 5.0, 0.1, True),
        (SAME, 5.0, 5.0, False),
        (TWO_MORE, 2.0, 5.0, False),
        (TWO_MORE, 10.0, 0.1, True),
        (BRIGHT, 10.0, 0.1, True),
    ],
)
def test_a_verdict_is_sure_when_the_whole_interval_agrees(wish: Wish, change: float, error: float, sure: bool) -> None:
    assert one(wish, change, error).ranking[0].items[0].sure is sure


def test_the_total_is_the_root_of_squares_in_ear_steps() -> None:
    wishes = [TWO_MORE, Wish(RMS, "same", None, 0.5)]
    (candidate,) = choose(wishes, {"a": {TREBLE: of(5.0), RMS: of(2.0)}}).ranking
    assert candidate.miss == pytest.approx(sqrt(3.0**2 + 4.0**2))
    # by propagation: each error in steps, weighted by its part of the total
    assert candidate.uncertainty == pytest.approx(sqrt((3 / 5 * 0.1 / 1.0) ** 2 + (4 / 5 * 0.1 / 0.5) ** 2))


def test_near_no_miss_the_spread_of_all_changes_is_the_uncertainty() -> None:
    (candidate,) = choose(
        [SAME, Wish(RMS, "same", None, 1.0)], {"a": {TREBLE: of(0.0, 0.3), RMS: of(0.0, 0.4)}}
    ).ranking
    assert candidate.uncertainty == pytest.approx(0.5)


def test_what_cannot_be_told_apart_shares_a_place() -> None:
    changes = {
        key: {TREBLE: of(value, 0.1)} for key, value in {"a": 2.0, "b": 4.1, "c": 4.0, "d": 7.0, "e": 0.05}.items()
    }
    found = choose([TWO_MORE], changes).ranking
    assert [(one.key, one.place) for one in found] == [("a", 1), ("e", 2), ("c", 2), ("b", 2), ("d", 5)]


def test_places_do_not_chain() -> None:
    changes = {key: {TREBLE: of(value, 0.1, inf)} for key, value in {"a": 4.0, "b": 4.2, "c": 4.4}.items()}
    # b can't be told from a, nor c from b, but c from a: limit 1.96 * 0.1414 = 0.277
    assert [one.place for one in choose([TWO_MORE], changes).ranking] == [1, 1, 3]


def test_what_is_withheld_of_one_candidate_takes_its_place_away() -> None:
    changes = {
        "a": {TREBLE: of(2.0), RMS: Change(None, withheld="gains are not known")},
        "b": {TREBLE: of(9.0), RMS: of(0.0)},
    }
    found = choose([TWO_MORE, Wish(RMS, "same", None, 1.0)], changes)
    assert [(one.key, one.place, one.fits) for one in found.ranking] == [("b", 1, False), ("a", None, False)]
    (a,) = (one for one in found.ranking if one.key == "a")
    assert (a.miss, a.items[1].met, a.items[1].withheld) == (None, None, "gains are not known")
    assert (found.unsaid, found.fits) == ((), ())


def test_what_is_withheld_of_all_is_left_out_of_the_order_and_nobody_fits() -> None:
    unknown = Change(None, withheld="gains are not known")
    changes = {key: {TREBLE: of(change), RMS: unknown} for key, change in (("a", 5.0), ("b", 2.0))}
    found = choose([TWO_MORE, Wish(RMS, "same", None, 1.0)], changes)
    assert [(one.key, one.place) for one in found.ranking] == [("b", 1), ("a", 2)]
    assert (found.unsaid, found.fits) == ((RMS,), ())
    assert "nothing can be said of RMS level" in explanation(found.ranking[0])
    none = choose([Wish(RMS, "same", None, 1.0)], {"a": {RMS: unknown}})
    assert (none.ranking[0].place, verdict(none, "old")) == (None, "None can be shown to fulfil the wish.")


change = st.floats(-20, 20).map(lambda value: round(value, 4))
error = st.floats(0.01, 3).map(lambda value: round(value, 4))


@given(
    changes=st.dictionaries(st.sampled_from("abcdefgh"), st.tuples(change, error, change, error), min_size=1),
    scale=st.floats(0.1, 10),
    seed=st.randoms(use_true_random=False),
)
@settings(deadline=None, max_examples=60, derandomize=True)
def test_order_of_candidates_and_unit_change_no_place(changes: dict, scale: float, seed: object) -> None:
    def asked(by: float, keys: list[str]) -> Choice:
        wishes = [Wish(TREBLE, "more", 2.0 * by, 1.0 * by), Wish(RMS, "same", None, by)]
        given = {
            key: {
                TREBLE: of(by * changes[key][0], by * changes[key][1]),
                RMS: of(by * changes[key][2], by * changes[key][3]),
            }
            for key in keys
        }
        return choose(wishes, given)

    plain = asked(1.0, sorted(changes))
    shuffled = sorted(changes)
    seed.shuffle(shuffled)  # type: ignore[attr-defined]
    assert asked(1.0, shuffled) == plain
    scaled = asked(scale, sorted(changes))
    assert [one.miss for one in scaled.ranking] == pytest.approx([one.miss for one in plain.ranking])
    totals = [one.miss for one in plain.ranking]
    assert totals == sorted(totals)  # type: ignore[type-var]
    assert plain.ranking[0].place == 1
    for candidate in plain.ranking:
        if candidate.fits:
            assert all(item.miss_in_ear_steps <= 1.0 + 1e-12 for item in candidate.items)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("wishes", "words"),
    [([], "at least one"), ([SAME, BRIGHT], "each only once")],
)
def test_what_is_no_wish_is_refused(wishes: list[Wish], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        choose(wishes, {})


def test_amounts_and_steps_are_greater_than_nothing() -> None:
    for wrong in ((TREBLE, "more", 0.0, 1.0), (TREBLE, "same", 1.0, 1.0), (TREBLE, "more", None, 0.0)):
        with pytest.raises(ValueError, match="treble_db"):
            Wish(*wrong)  # type: ignore[arg-type]


def test_a_sentence_says_what_is_missed_by_how_much_and_what_is_as_wished() -> None:
    wishes = [TWO_MORE, Wish(RMS, "same", None, 1.0), Wish(BASS, "less", None, 1.0)]
    found = choose(wishes, {"a": {TREBLE: of(0.8, 0.4, inf), RMS: of(0.2), BASS: of(1.0, 0.1)}})
    assert explanation(found.ranking[0]) == (
        "Misses treble by 1.2 dB, changing it by +0.8 (3.0 times its uncertainty, about one step that an ear can tell; "
        "not certain) and bass by 2.0 dB, changing it by +1.0 (20 times its uncertainty, about 2 steps that an ear can "
        "tell); as wished: RMS level +0.2 dB."
    )
    assert verdict(found, "old") == "None fulfils the whole wish; a comes closest."
    assert [wished(wish) for wish in wishes] == [
        "treble +2.0 dB", "the same RMS level within 1.0 dB", "bass -1.0 dB or less"
    ]  # fmt: skip


def test_who_fits_is_named() -> None:
    assert verdict(one(BRIGHT, 3.0), "old") == "a fulfils the whole wish."
    assert explanation(one(BRIGHT, 3.0).ranking[0]) == "As wished: treble +3.0 dB."
    assert verdict(choose([BRIGHT], {}), "old") == "There is no pickup beside old to choose from."


def test_every_step_of_an_ear_has_its_unit_and_says_on_whose_word() -> None:
    for key in audible():
        step = ear_step(key)
        assert step is not None
        assert step.step > 0
        assert step.unit == columns()[key].unit_of_difference
        assert "no source" in step.basis or "from memory" in step.basis
    silent = {quantity.key for quantity in QUANTITIES} - {columns()[key].quantity.key for key in audible()}
    assert silent == {"peak_mv", "rms_mv", "hum_hz", "dc_offset"}


def test_every_word_asks_for_what_an_ear_can_tell_and_does_not_contradict_itself() -> None:
    for word, meant in WORDS.items():
        assert meant.says, word
        assert len({item.quantity for item in meant.items}) == len(meant.items)
        assert all(item.quantity in audible() and item.direction in DIRECTIONS for item in meant.items)
