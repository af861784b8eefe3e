"""Words of wishes as the API shows them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, Field

from coilbench_service.json_document import rfc3339
from coilbench_service.words import Meaning, word_path
from coilbench_worker.compare.columns import column


class WordItemView(BaseModel):
    """One thing that a word asks for."""

    quantity: str = Field(description="Flat key")
    direction: str = Field(description="more, less or same")
    amount: float | None = Field(description="null: by a step that an ear can tell, or more")
    unit: str = Field(description="Of the amount")


class WordLinks(BaseModel):
    """Where the word is."""

    self: str


class WordView(BaseModel):
    """A word that wishes may use."""

    word: str
    items: list[WordItemView]
    says: str = Field(description="The same for people; may be empty")
    built_in: bool = Field(description="Whether it came with the program")
    changed: bool = Field(description="Whether it was put here, in the place of what it came with if it did")
    basis: str | None = Field(description="On whose word; null where it was put here")
    updated: str | None = Field(description="RFC 3339, UTC; null where it stands as it came")
    links: WordLinks


class WordList(BaseModel):
    """All words, in the order of letters."""

    items: list[WordView]
    next: None = None


def word_view(meaning: Meaning) -> dict[str, Any]:
    """A word as JSON values."""
    return {
        "word": meaning.word,
        "items": [
            {
                "quantity": item.quantity,
                "direction": item.direction,
                "amount": item.amount,
                "unit": column(item.quantity).unit_of_difference,
            }
            for item in meaning.items
        ],
        "says": meaning.says,
        "built_in": meaning.built_in,
        "changed": meaning.changed,
        "basis": meaning.basis,
        "updated": None if meaning.updated is None else rfc3339(meaning.updated),
        "links": {"self": word_path(meaning.word)},
    }


def words_view(found: Iterable[Meaning]) -> dict[str, Any]:
    """All words as JSON values."""
    return {"items": [word_view(one) for one in found], "next": None}
