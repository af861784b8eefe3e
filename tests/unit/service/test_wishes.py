"""A wish as it is sent: words, amounts, directions, and every way in which it can't be used."""

from __future__ import annotations

from typing import Any

import pytest

from coilbench_service.problems import Problem
from coilbench_service.wishes import wishes_of
from coilbench_service.words import Meaning
from coilbench_worker.compare.words import WORDS, Direction, WordItem


def own(word: str, *items: tuple[str, Direction, float | None]) -> Meaning:
    return Meaning(word, tuple(WordItem(*item) for item in items), "", False, True, None, None)


KNOWN = {
    word: Meaning(word, meant.items, meant.says, True, False, None, None) for word, meant in WORDS.items()
} | {
    "glassy": own("glassy", ("treble_db", "more", 3.0)),
    "honest": own("honest", ("bass_db", "same", None)),
}  # fmt: skip


def read(**asked: Any) -> list[tuple[str, str, str, float | None]]:
    found = wishes_of(asked, KNOWN)
    return [(one.asked, one.wish.quantity, one.wish.direction, one.wish.amount) for one in found]


def refused(asked: dict[str, Any]) -> tuple[str, list[tuple[str, str]]]:
    with pytest.raises(Problem) as caught:
        wishes_of(asked, KNOWN)
    assert caught.value.kind.status == 422
    return caught.value.kind.slug, [(error.field, error.message) for error in caught.value.errors]


def test_a_quantity_takes_a_direction_or_the_wanted_change() -> None:
    assert read(treble_db=2) == [("treble_db", "treble_db", "more", 2.0)]
    assert read(treble_db=-1.5) == [("treble_db", "treble_db", "less", 1.5)]
    assert read(bass_db=0) == [("bass_db", "bass_db", "same", None)]
    assert read(sustain_20_s="more", octave_db_4000="same") == [
        ("sustain_20_s", "sustain_20_s", "more", None),
        ("octave_db_4000", "octave_db_4000", "same", None),
    ]


def test_a_word_asks_for_what_the_table_says() -> None:
    assert read(bright=True) == [("bright", "treble_db", "more", None)]
    assert read(Hot=4) == [("Hot", "rms_dbfs", "more", 4.0)]
    assert read(dark=2) == [("dark", "treble_db", "less", 2.0)]
    assert read(warm="more") == [("warm", "bass_db", "more", None), ("warm", "treble_db", "less", None)]
    assert read(glassy=True) == [("glassy", "treble_db", "more", 3.0)]
    assert read(glassy=1) == [("glassy", "treble_db", "more", 1.0)]


def test_each_wish_has_the_step_of_an_ear_and_on_whose_word() -> None:
    (found,) = wishes_of({"even": True}, KNOWN)
    assert found.wish.ear_step == 0.5
    assert "common practice, no source" in found.basis


def test_two_ways_to_ask_for_the_same_are_one_wish_and_an_amount_goes_first() -> None:
    assert read(bright=True, treble_db=2) == [("bright, treble_db", "treble_db", "more", 2.0)]
    assert read(treble_db=2, bright=True) == [("treble_db, bright", "treble_db", "more", 2.0)]
    assert read(glassy=True, treble_db=3) == [("glassy, treble_db", "treble_db", "more", 3.0)]


@pytest.mark.parametrize(
    ("asked", "field", "words"),
    [
        ({"bright": True, "dark": True}, "wish.dark", "asks for less treble_db, and bright for more treble_db"),
        ({"warm": True, "lean": True}, "wish.lean", "asks for less bass_db, and warm for more bass_db"),
        ({"full": True, "bass_db": "same"}, "wish.bass_db", "asks for the same bass_db"),
        ({"glassy": True, "treble_db": 2}, "wish.treble_db", "more treble_db by 2, and glassy for more treble_db by 3"),
    ],
)
def test_contradictions_are_named_with_both_sides(asked: dict[str, Any], field: str, words: str) -> None:
    slug, ((found, message),) = refused(asked)
    assert (slug, found) == ("wish-contradictory", field)
    assert words in message


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("brigth", "near it: bright"),
        ("trebel_db", "near it: treble_db"),
        ("zzzzzz", "is no word and no quantity"),
        ("octave_db", "has parts"),
        ("rms_mv", "ask for rms_dbfs"),
        ("hum_hz", "no ear has a step"),
    ],
)
def test_what_is_no_word_and_no_quantity_is_named(key: str, words: str) -> None:
    slug, faults = refused({"bright": True, key: "more"})
    assert (slug, [field for field, _ in faults]) == ("wish-unknown", [f"wish.{key}"])
    assert words in faults[0][1]


@pytest.mark.parametrize(
    ("asked", "field", "words"),
    [
        ({}, "wish", "is empty"),
        ({"treble_db": True}, "wish.treble_db", "more, less, same"),
        ({"treble_db": "up"}, "wish.treble_db", "more, less, same"),
        ({"treble_db": None}, "wish.treble_db", "more, less, same"),
        ({"treble_db": 1e9}, "wish.treble_db", "beyond"),
        ({"bright": -1}, "wish.bright", "greater than 0"),
        ({"bright": False}, "wish.bright", "say true"),
        ({"bright": "less"}, "wish.bright", "say true"),
        ({"bright": 1e9}, "wish.bright", "say true"),
        ({"warm": 2}, "wish.warm", "asks for bass_db, treble_db, so that one number says nothing"),
        ({"honest": 2}, "wish.honest", "one number says nothing"),
    ],
)
def test_values_that_cannot_be_used_are_named(asked: dict[str, Any], field: str, words: str) -> None:
    slug, ((found, message),) = refused(asked)
    assert (slug, found) == ("invalid-request", field)
    assert words in message


def test_every_fault_is_named_at_once() -> None:
    assert [field for field, _ in refused({"bright": False, "bass_db": "up", "hot": True})[1]] == [
        "wish.bright", "wish.bass_db"
    ]  # fmt: skip


def test_a_wish_has_an_end() -> None:
    slug, faults = refused({f"third_octave_db_{band}": 1 for band in THIRDS} | {"bass_db": 1})
    assert (slug, "at most 20" in faults[0][1]) == ("invalid-request", True)


THIRDS = (
    "63", "80", "100", "125", "160", "200", "250", "315", "400", "500", "630", "800", "1000", "1250", "1600", "2000",
    "2500", "3150", "4000", "5000",
)  # fmt: skip
