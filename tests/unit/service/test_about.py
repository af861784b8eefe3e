"""The description of a take: typed fields, unknown ones kept, changes by merge patch."""

from __future__ import annotations

import json

import pytest

from coilbench_service import about
from coilbench_service.problems import Problem

KNOWN = {
    "label": "neck, first take",
    "session": "spring-1",
    "pickup": "harbour-neck",
    "chain": "desk-a",
    "guitar": "shop guitar 2",
    "position": "neck",
    "strings": "10-46",
    "tuning": "E A D G B E",
    "pick": "1.0 mm",
    "player": "J",
    "input_gain_db": 12,
    "battery_v": 8.9,
    "cable": "3 m",
    "expected_strums": 4,
    "channel": 2,
    "notes": "second\nline\twith a tab",
    "tags": ["keep", "clean"],
}


def test_every_field_of_the_contract_is_kept_as_it_was_sent() -> None:
    assert about.from_part(json.dumps(KNOWN).encode()) == KNOWN


def test_unknown_fields_are_kept_under_extra_and_null_ones_fall_out() -> None:
    sent = {"label": "a", "humidity": 41, "extra": {"room": "B"}, "pick": None, "nested": {"a": [1, None]}}
    assert about.checked(sent) == {
        "label": "a",
        "extra": {"room": "B", "humidity": 41, "nested": {"a": [1, None]}},
    }


def test_what_is_read_can_be_sent_again_unchanged() -> None:
    kept = about.checked({"label": "a", "humidity": 41})
    assert about.checked(kept) == kept


BAD = [
    ('{"label": 7}', "about.label", "string"),
    ('{"label": ""}', "about.label", "is empty"),
    ('{"label": "a\\nb"}', "about.label", "pattern"),
    ('{"label": "' + "x" * 201 + '"}', "about.label", "at most 200"),
    ('{"expected_strums": 0}', "about.expected_strums", "greater than or equal to 1"),
    ('{"expected_strums": 4.5}', "about.expected_strums", "integer"),
    ('{"expected_strums": "4"}', "about.expected_strums", "integer"),
    ('{"expected_strums": true}', "about.expected_strums", "integer"),
    ('{"channel": 0}', "about.channel", "greater than or equal to 1"),
    ('{"channel": -1}', "about.channel", "greater than or equal to 1"),
    ('{"input_gain_db": "12 dB"}', "about.input_gain_db", "number"),
    ('{"battery_v": -1}', "about.battery_v", "greater than or equal to 0"),
    ('{"tags": "keep"}', "about.tags", "list"),
    ('{"tags": ["a", "a"]}', "about.tags", "twice"),
    ('{"tags": [1]}', "about.tags.0", "string"),
    ('{"extra": 5}', "about.extra", "dictionary"),
    ('{"humidity": 1, "extra": {"humidity": 2}}', "about.humidity", "under extra"),
    ('{"label": "a", "label": "b"}', "about.label", "twice"),
    ('{"input_gain_db": NaN}', "about", "NaN"),
    ('{"input_gain_db": 1e999}', "about", "too large"),
    ('{"a": ' + "9" * 400 + ".5}", "about", "the number 999999999999... of 402 digits is too large"),
    ('{"label": "\\ud800"}', "about", "surrogate"),
    ('{"label": "a\\u0000b"}', "about.label", "NUL"),
    ('{"a": [["\\ud800"]]}', "about", "surrogate"),
    ('{"a": [[{"b": 1}, ["\\u0000"]]]}', "about.a", "NUL"),
    ("[1, 2]", "about", "list"),
    ('"text"', "about", "text"),
    ("null", "about", "null"),
    ("7", "about", "number"),
    ("{", "about", "not JSON"),
    ("", "about", "not JSON"),
    ("[" * 100_000, "about", ""),
    ('{"a": ' + "9" * 5000 + "}", "about", "too many digits"),
    ('{"a": ' + "9" * 400 + "}", "about", "too large"),
]


@pytest.mark.parametrize(("text", "field", "words"), BAD, ids=[text[:40] for text, *_ in BAD])
def test_a_bad_description_is_refused_with_the_field_at_fault(text: str, field: str, words: str) -> None:
    with pytest.raises(Problem) as caught:
        about.from_part(text.encode("utf-8", "surrogatepass"))
    assert caught.value.kind.slug == "invalid-about"
    faults = {error.field: error.message for error in caught.value.errors}
    assert field in faults
    assert words in faults[field]


def test_bytes_that_are_not_utf8_are_refused_with_the_place() -> None:
    with pytest.raises(Problem, match=r"not UTF-8: byte 0xe9 at position 11"):
        about.from_part('{"label": "é"}'.encode("latin-1"))


def test_all_faults_are_named_at_once() -> None:
    with pytest.raises(Problem) as caught:
        about.checked({"label": 1, "channel": 0, "tags": 3})
    assert [error.field for error in caught.value.errors] == ["about.label", "about.channel", "about.tags"]


def test_a_description_beyond_its_size_is_refused() -> None:
    with pytest.raises(Problem, match="at most 65536"):
        about.checked({"extra": {"log": "x" * 70_000}})


# RFC 7396 Appendix A: original, patch, result; the rows whose values are objects, wrapped into `extra`.
RFC_7396 = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("original", "patch", "result"), RFC_7396)
def test_a_merge_patch_gives_what_rfc_7396_appendix_a_says(original: dict, patch: dict, result: dict) -> None:
    changed = about.merged({"extra": original} if original else {}, {"extra": patch})
    assert changed.get("extra", {}) == result


def test_a_patch_changes_known_and_unknown_fields_side_by_side() -> None:
    before = about.checked({"label": "a", "pick": "1.0 mm", "humidity": 41, "room": "B"})
    after = about.merged(before, {"label": "b", "pick": None, "humidity": None, "extra": {"room": "C"}})
    assert after == {"label": "b", "extra": {"room": "C"}}


def test_a_patch_that_leaves_a_bad_description_is_refused() -> None:
    with pytest.raises(Problem, match="expected_strums"):
        about.merged({"label": "a"}, {"expected_strums": "four"})
