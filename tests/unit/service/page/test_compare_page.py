"""What the page of a comparison makes of the answer: the order of its rows, verdicts in words, places with numbers."""

from __future__ import annotations

from typing import Any

from coilbench_service.page.compare import rankings, tables, thirds


def _row(other: str, difference: float | None, verdict: str | None) -> dict[str, Any]:
    return {"other": other, "quantity": "rms_dbfs", "difference": difference, "verdict": verdict}


def test_rows_of_a_quantity_stand_by_size_and_those_without_a_verdict_last() -> None:
    quantity = {
        "key": "rms_dbfs",
        "name": "RMS level",
        "unit": "dBFS",
        "decimals": 1,
        "more": "hotter",
        "less": "milder",
    }
    rows = [
        _row("a", None, None),
        _row("b", -2.0, "lower"),
        _row("c", 3.0, "higher"),
        _row("d", 0.2, "no-difference-shown"),
    ]
    (table,) = tables({"quantities": [quantity], "results": rows})
    assert [(row["other"], row["words"]) for row in table["rows"]] == [
        ("c", "hotter"),
        ("d", "no difference shown"),
        ("b", "milder"),
        ("a", "nothing said"),
    ]
    assert table["unit_of_difference"] == "dB"


def test_places_are_counted_by_pickups_and_one_place_for_all_is_no_ranking() -> None:
    found = {
        "ranking": {"rms_dbfs": [["a", "b"], ["take-1"]], "crest_db": [["a", "b", "take-1"]]},
        "alike": {"rms_dbfs": [["b", "take-1"]]},
    }
    (ranking,) = rankings(found, {"a": "a", "b": "b", "take-1": "first take"})
    assert ranking["places"] == [(1, ["a", "b"]), (3, ["first take"])]
    assert ranking["alike"] == [["b", "first take"]]
    assert (ranking["name"], ranking["more"]) == ("RMS level", "hotter")


def test_bands_stand_together_and_octaves_are_left_to_the_picture() -> None:
    rows = [
        {"quantity": quantity, "part": part, "other": other}
        for quantity, part in (("octave_db", "63"), ("third_octave_db", "63"), ("third_octave_db", "80"))
        for other in ("a", "b")
    ]
    assert [(part, [row["other"] for row in found]) for part, found in thirds({"bands": rows})] == [
        ("63", ["a", "b"]),
        ("80", ["a", "b"]),
    ]
