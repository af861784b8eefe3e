"""Names on charts are short, drawable, and no two are alike."""

from __future__ import annotations

from coilbench_service.charts.names import MOST, shown_names


def test_a_short_name_stays_as_it_is() -> None:
    assert shown_names({"a": "harbour-neck", "b": "Mill bridge"}) == {"a": "harbour-neck", "b": "Mill bridge"}


def test_a_long_name_keeps_its_begin_and_its_end() -> None:
    long = "harbour-neck of the second evening, take 12"
    (shown,) = shown_names({"a": long}).values()
    assert len(shown) <= MOST
    head, tail = shown.split("…")
    assert long.startswith(head)
    assert long.endswith(tail)


def test_names_that_look_alike_are_numbered_and_no_number_is_taken_twice() -> None:
    long = "x" * 60
    shown = shown_names({"a": long, "b": long + "x", "c": "d", "d": "d", "e": "d (2)"})
    assert len(set(shown.values())) == 5
    assert shown["e"] == "d (2)"


def test_signs_that_no_drawing_can_hold_are_left_away() -> None:
    assert shown_names({"a": "one\ufffetwo\n three"}) == {"a": "one two three"}


def test_a_name_of_such_signs_alone_is_told_by_their_numbers() -> None:
    assert shown_names({"\ufffe": "\ufffe", "a": "\u200b\x00"}) == {"\ufffe": "U+FFFE", "a": "U+200B U+0000"}
