"""Advice where nobody fits: where it starts, what it tells of, and what it leaves unsaid."""

from __future__ import annotations

from typing import Any

import pytest

from coilbench_service.electrical_advice import BASIS, LoadStated, Start, advice, starts
from coilbench_worker.coil.limits import EDDY, EVERY_TURN_ALIKE
from coilbench_worker.compare.choice import Change, Wish, choose
from coilbench_worker.measure.bands import OCTAVES

SHEET = {"inductance_h": 2.5, "dcr_ohm": 6000.0, "capacitance_pf": 140.0}
LEVELS_DB = dict(
    zip((band.nominal for band in OCTAVES), (-20.0, -6.0, -5.0, -6.0, -8.0, -11.0, -16.0, -30.0), strict=True)
)
BRIGHTER = Wish("treble_db", "more", 2.0, 1.0)
EVEN = Wish("evenness_db", "less", None, 0.5)
NONE_SAID = LoadStated()


def start(change: float = 0.0, pickup: str = "mill", **sheet: Any) -> Start:
    said = {name: value for name, value in (SHEET | sheet).items() if value is not None}
    return Start(pickup, said, LEVELS_DB, {"treble_db": change, "rms_dbfs": 0.0})


def test_ways_that_bring_the_wish_closer_are_told_the_best_first() -> None:
    first, *ways, basis, eddy, turns = advice([BRIGHTER], [start()], NONE_SAID)
    assert first.startswith("Starting from mill (2.5 H, 6 kohm and 140 pF, into pots of 250 kohm")
    assert (basis, eddy, turns) == (BASIS, EDDY, EVERY_TURN_ALIKE)
    assert {way.split(":")[0] for way in ways} == {"Pots of 500 kohm", "A fifth fewer turns"}
    steps = [float(way.rsplit("misses by ", 1)[1].split()[0]) for way in ways]
    assert steps == sorted(steps)
    assert all("not 2.0." in way and "treble +" in way and "RMS level" in way for way in ways)


def test_the_other_way_is_told_to_who_wants_the_other_way() -> None:
    darker = Wish("treble_db", "less", 2.0, 1.0)
    ways = advice([darker], [start()], NONE_SAID)[1:-3]
    assert {way.split(":")[0] for way in ways} == {"A fifth more turns", "Twice the cable"}


def test_what_was_gained_already_counts() -> None:
    told = advice([BRIGHTER], [start(0.5)], NONE_SAID)
    assert "not 1.5." in told[1]
    assert advice([BRIGHTER], [start(1.5)], NONE_SAID) == ()


def test_ways_that_hardly_help_are_not_told() -> None:
    told = advice([Wish("rms_dbfs", "more", 300.0, 100.0)], [start()], NONE_SAID)
    assert told[1].startswith("None of these brings the wish closer by a quarter of a step")


def test_there_is_no_advice_where_the_closest_misses_only_what_the_model_does_not_know() -> None:
    assert advice([BRIGHTER, EVEN], [start(2.5)], NONE_SAID) == (
        "Of evenness of the strums the model of coil and load says nothing.",
    )


def test_the_load_is_the_one_stated_or_the_sheets_or_common_practice() -> None:
    first = advice([BRIGHTER], [start(volume_pot_ohm=500e3)], LoadStated(tone_ohm=1e6, cable_f=200e-12))[0]
    assert "500 kohm (volume) and 1 Mohm (tone), an input of 1 Mohm and 200 pF of cable" in first


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        ({"inductance_h": None}, "the sheet of mill gives no inductance"),
        ({"capacitance_pf": 0.0, "dcr_ohm": None}, "gives no resistance and no capacitance"),
        ({"active": True}, "mill has a preamp between coil and load"),
    ],
)
def test_what_is_missing_is_said_instead(sheet: dict[str, Any], words: str) -> None:
    (told,) = advice([BRIGHTER], [start(**sheet)], NONE_SAID)
    assert told.startswith("The electrical model can't say which way to go")
    assert words in told


def test_the_next_place_to_start_from_is_taken_where_the_first_has_no_coil() -> None:
    told = advice([BRIGHTER], [start(0.5, dcr_ohm=None), start(pickup="old")], NONE_SAID)
    assert told[0] == "the sheet of mill gives no resistance: the model starts from old instead."
    assert told[1].startswith("Starting from old")


def test_what_the_model_says_nothing_of_is_named() -> None:
    silent = "Of evenness of the strums the model of coil and load says nothing."
    assert advice([EVEN], [start()], NONE_SAID) == (silent,)
    assert advice([BRIGHTER, EVEN], [start()], NONE_SAID)[-1] == silent


def test_what_was_not_measured_is_not_guessed() -> None:
    loudness = Wish("bass_db", "more", None, 1.0)
    (told,) = advice([loudness], [start()], NONE_SAID)
    assert "not all that is wished for was measured of mill" in told


def test_the_closest_candidate_comes_before_the_reference() -> None:
    changes = {"far": {"treble_db": Change(-4.0, 0.1)}, "near": {"treble_db": Change(0.5, 0.1)}}
    found = choose([BRIGHTER], changes)
    others = {key: start(pickup=key) for key in changes}
    assert [one.pickup for one in starts(found, start(pickup="old"), others)] == ["near", "old"]
