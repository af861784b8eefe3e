"""Figures, times and names as pages write them."""

from __future__ import annotations

import pytest
from markupsafe import Markup

from coilbench_service.page.written import called, coded, encoded, ended, has_page, moment, size, worst
from coilbench_service.writing import figure, plain


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-3.14159, 2, "−3.14"),
        (-0.04, 1, "0.0"),  # no minus before nothing
        (0.0, 0, "0"),
        (1234.5, 0, "1234"),
        (None, 1, "–"),
        (float("nan"), 1, "–"),
    ],
)
def test_a_figure_has_its_decimals_and_a_real_minus_sign(value: float | None, decimals: int, text: str) -> None:
    assert figure(value, decimals) == text


def test_a_moment_is_read_by_people_and_programs() -> None:
    assert moment("2026-03-01T09:05:00Z") == Markup(
        '<time datetime="2026-03-01T09:05:00Z">1 Mar 2026, 09:05 UTC</time>'
    )


@pytest.mark.parametrize(("count", "text"), [(999, "999 bytes"), (1500, "1.5 kB"), (2.1e9, "2.1 GB")])
def test_a_size_is_short(count: int, text: str) -> None:
    assert size(count) == text


@pytest.mark.parametrize(
    ("name", "text"), [("pcm_s24", "24 bit"), ("pcm_u8", "8 bit"), ("float32", "32 bit, floating point")]
)
def test_an_encoding_is_said_in_words(name: str, text: str) -> None:
    assert encoded(name) == text


def test_a_take_is_called_by_its_label_else_by_its_file() -> None:
    assert called({"about": {"label": "one"}, "file": {"name": "1.wav"}}) == "one"
    assert called({"about": {}, "file": {"name": "1.wav"}}) == "1.wav"


def test_names_in_backticks_are_code_and_markup_stays_text() -> None:
    assert coded("Give `a<b` & more") == "Give <code>a&lt;b</code> &amp; more"
    assert coded("one ` alone <") == "one ` alone &lt;"


def test_any_value_is_plain_text() -> None:
    assert plain({"a": [1, "b"], "c": True, "d": None}) == "a: 1, b; c: yes; d: –"


def test_the_worst_check_comes_first() -> None:
    checks = [
        {"code": str(place), "severity": name} for place, name in enumerate(("note", "reject", "caution", "note"))
    ]
    assert [check["code"] for check in worst(checks)] == ["1", "2", "0", "3"]


@pytest.mark.parametrize("text", ["record it again", "record it again.", "record it again.."])
def test_a_sentence_has_one_full_stop(text: str) -> None:
    assert ended(text) == "record it again."


@pytest.mark.parametrize(
    ("key", "there"),
    [("mill-bridge", True), ("a?b#c", True), ("a/b", False), ("..", False), ("a\u2028b", False), ("\u202eleft", False)],
)
def test_only_a_key_that_its_page_takes_leads_there(key: str, there: bool) -> None:
    assert has_page(key) is there
