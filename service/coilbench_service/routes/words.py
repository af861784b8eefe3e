"""The words of wishes: listed, read, put, forgotten."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service import words
from coilbench_service.answers import json_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.conditional import require_state
from coilbench_service.openapi import answers
from coilbench_service.problems import FieldError, Problem
from coilbench_service.words import Meaning, WordMeaning, word_path
from coilbench_service.words_view import WordList, WordView, word_view, words_view
from coilbench_worker.compare.columns import columns

TAG = Tag(name="words", description="What a player's words ask for: bright, hot, tight, ...; they can be changed")
AS_IT_CAME = datetime(1970, 1, 1, tzinfo=UTC)
"""When a word that stands as it came was changed last, for `If-Unmodified-Since`: before anybody asks."""


class WordPath(BaseModel):
    """The word meant."""

    word: str = Field(description="Such as bright; capitals don't count")


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/words."""
    api = APIBlueprint("words", __name__, url_prefix="/v1/words", abp_tags=[TAG])

    @api.get("", responses=answers({200: WordList}, kinds.PRECONDITION_FAILED))
    def list_words() -> Response:
        """List every word that a wish may use, with what it asks for."""
        with bench.database.read() as connection:
            found = words.meanings(connection)
        return json_answer(words_view(found.values()), tagged=True)

    @api.get("/<word>", responses=answers({200: WordView}, kinds.WORD_UNKNOWN, kinds.PRECONDITION_FAILED))
    def read_word(path: WordPath) -> Response:
        """One word."""
        with bench.database.read() as connection:
            found = words.meaning(connection, _possible(path.word))
        return json_answer(word_view(found), tagged=True)

    @api.put(
        "/<word>",
        responses=answers({200: WordView, 201: WordView}, kinds.NOT_JSON, kinds.BROKEN_JSON, kinds.PRECONDITION_FAILED),
    )
    def put_word(path: WordPath, body: WordMeaning) -> Response:
        """Say what a word asks for, in the place of what it asked for before."""
        word = words.spelled(path.word)
        _require_word(word)
        with bench.database.write() as connection:
            _require_state_of(words.meanings(connection).get(word))
            meaning, new = words.put(connection, word, body)
        headers = {"Location": word_path(word)} if new else None
        return json_answer(word_view(meaning), 201 if new else 200, headers=headers)

    @api.delete("/<word>", responses=answers({204: None}, kinds.WORD_UNKNOWN, kinds.PRECONDITION_FAILED))
    def delete_word(path: WordPath) -> Response:
        """Forget what was said of a word; one that came with the program means again what it meant at first."""
        word = _possible(path.word)
        with bench.database.write() as connection:
            _require_state_of(words.meaning(connection, word))
            words.forget(connection, word)
        return Response(status=204)

    return api


def _possible(word: str) -> str:
    """Keep from the database what no word can be."""
    word = words.spelled(word)
    if not re.match(words.WORD_PATTERN, word):
        raise Problem(kinds.WORD_UNKNOWN, f"There is no word {word!r:.100}.")
    return word


def _require_word(word: str) -> None:
    """A word to be must not need quotes, and not be the key of a quantity.

    Raises
    ------
    Problem : invalid-request
    """
    fault = None
    if not re.match(words.WORD_PATTERN, word):
        fault = f"a word is a letter, then letters, digits and hyphens, {words.MOST_CHARACTERS} characters at most"
    elif word in columns() or any(column.quantity.key == word for column in columns().values()):
        fault = "is the key of a quantity, which a wish may name as it is"
    elif word in ("more", "less", "same"):
        fault = "is a direction in wishes"
    if fault is not None:
        raise Problem(kinds.INVALID_REQUEST, f"{word!r:.100}: {fault}.", errors=[FieldError("word", fault)])


def _require_state_of(found: Meaning | None) -> None:
    """Refuse where the request's conditions don't hold for the word as it is; one that is not there meets no If-Match.

    Raises
    ------
    Problem : precondition-failed
    """
    if found is not None:
        require_state(request, tag=tag_of(word_view(found)), changed=found.updated or AS_IT_CAME)
    elif "If-Match" in request.headers:
        raise Problem(kinds.PRECONDITION_FAILED, "If-Match asks for a word that is there; there is none.")
