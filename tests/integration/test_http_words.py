"""The words of wishes over HTTP: as they came, changed, made, forgotten; every problem by its name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from coilbench_worker.compare.words import WORDS
from http_service import Service, assert_problem
from http_service import service as running_service

GLASSY = {"items": [{"quantity": "treble_db", "direction": "more", "amount": 3}], "says": "like glass"}


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service for requests of which nothing is kept."""
    with running_service(tmp_path_factory.mktemp("words")) as made:
        yield made


def test_words_that_came_are_listed_with_what_they_ask_for(service: Service) -> None:
    found = service.client.get("/v1/words").json
    assert found["next"] is None
    assert [one["word"] for one in found["items"]] == sorted(WORDS)
    bright = next(one for one in found["items"] if one["word"] == "bright")
    assert bright["items"] == [{"quantity": "treble_db", "direction": "more", "amount": None, "unit": "dB"}]
    assert (bright["built_in"], bright["changed"], bright["updated"]) == (True, False, None)
    assert bright["basis"] == "common practice, no source"
    assert service.client.get("/v1/words/Bright").json == bright


def test_a_word_of_ones_own_is_made_read_changed_and_forgotten(service: Service) -> None:
    client = service.client
    made = client.put("/v1/words/Glassy", json=GLASSY)
    assert (made.status_code, made.headers["Location"]) == (201, "/v1/words/glassy")
    assert (made.json["word"], made.json["says"], made.json["built_in"]) == ("glassy", "like glass", False)
    assert client.get("/v1/words/glassy").json == made.json
    assert made.json in client.get("/v1/words").json["items"]
    again = client.put("/v1/words/glassy", json={"items": [{"quantity": "bass_db", "direction": "same"}]})
    assert (again.status_code, again.json["says"], len(again.json["items"])) == (200, "", 1)
    assert client.delete("/v1/words/glassy").status_code == 204
    assert_problem(client.get("/v1/words/glassy"), 404, "word-unknown")
    assert_problem(client.delete("/v1/words/glassy"), 404, "word-unknown")


def test_a_word_that_came_is_changed_and_goes_back_to_what_it_was(service: Service) -> None:
    client = service.client
    came = client.get("/v1/words/bright").json
    changed = client.put("/v1/words/bright", json=GLASSY)
    assert (changed.status_code, changed.json["built_in"], changed.json["changed"]) == (200, True, True)
    assert changed.json["basis"] is None
    assert client.delete("/v1/words/bright").status_code == 204
    assert client.get("/v1/words/bright").json == came
    assert client.delete("/v1/words/bright").status_code == 204  # nothing was said of it: nothing to do


def test_a_word_is_changed_only_in_the_state_that_was_asked_for(service: Service) -> None:
    client = service.client
    client.put("/v1/words/bright", json=GLASSY)
    early = {"If-Unmodified-Since": "Thu, 01 Jan 2015 00:00:00 GMT"}
    assert_problem(client.put("/v1/words/bright", json=GLASSY, headers=early), 412, "precondition-failed")
    assert_problem(client.delete("/v1/words/bright", headers=early), 412, "precondition-failed")
    there = {"If-Match": "*"}
    assert_problem(client.put("/v1/words/new", json=GLASSY, headers=there), 412, "precondition-failed")
    assert client.put("/v1/words/bright", json=GLASSY, headers=there).status_code == 200
    assert client.put("/v1/words/dark", json=GLASSY, headers=early).status_code == 200  # stood as it came


def test_the_list_is_not_sent_again_while_nothing_changes(service: Service) -> None:
    first = service.client.get("/v1/words")
    again = service.client.get("/v1/words", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304
    service.client.put("/v1/words/glassy", json=GLASSY)
    assert service.client.get("/v1/words", headers={"If-None-Match": first.headers["ETag"]}).status_code == 200


def item(**changes: Any) -> dict[str, Any]:
    return {"items": [{"quantity": "treble_db", "direction": "more", **changes}]}


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ({"items": []}, "items", "is empty"),
        ({}, "items", "is missing"),
        (item(direction="up"), "items.0.direction", "'more', 'less' or 'same'"),
        (item(amount=0), "items.0.amount", "must be greater than 0"),
        (item(amount=-2), "items.0.amount", "must be greater than 0"),
        (item(amount="2"), "items.0.amount", "number"),
        (item(quantity="trebel_db"), "items.0.quantity", "near it: treble_db"),
        (item(quantity="octave_db"), "items.0.quantity", "has parts: ask for one of them, such as octave_db_1000"),
        (item(quantity="rms_mv"), "items.0.quantity", "ask for rms_dbfs"),
        (item(quantity="dc_offset"), "items.0.quantity", "no ear has a step of it"),
        (item(direction="same", amount=1), "items", "the same has no amount"),
        ({"items": 2 * item()["items"]}, "items", "names treble_db twice"),
        ({**item(), "colour": "red"}, "colour", "is not known here"),
    ],
)
def test_what_is_wrong_with_a_meaning_is_named(refusing: Service, body: Any, field: str, words: str) -> None:
    found = assert_problem(refusing.client.put("/v1/words/glassy", json=body), 422, "invalid-request")
    assert [error["field"] for error in found["errors"]] == [field]
    assert words in found["errors"][0]["message"]


@pytest.mark.parametrize("word", ["7th", "two words", "a=b", "treble_db", "octave_db", "same", "x" * 41, "a.b", "-a"])
def test_what_can_be_no_word_is_refused(refusing: Service, word: str) -> None:
    found = assert_problem(refusing.client.put(f"/v1/words/{word}", json=GLASSY), 422, "invalid-request")
    assert [error["field"] for error in found["errors"]] == ["word"]


def test_a_word_that_is_not_known_names_those_near_it(refusing: Service) -> None:
    assert "bright" in assert_problem(refusing.client.get("/v1/words/brigth"), 404, "word-unknown")["detail"]
    for odd in ("a b", "%01", "x" * 300):
        assert_problem(refusing.client.get(f"/v1/words/{odd}"), 404, "word-unknown")
