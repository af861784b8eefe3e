"""What all questions about pickups and takes share over HTTP: how subjects and quantities are named, what may go wrong,
and how sides and takes left out are shown.
"""

from __future__ import annotations

from difflib import get_close_matches
from typing import Annotated

from pydantic import AfterValidator, BaseModel, Field, StringConstraints

from coilbench_service import problem_kinds as kinds
from coilbench_worker.compare.columns import columns

MOST_SUBJECTS = 100
NEAREST = 3
"""Names shown for one that is not known."""
PROBLEMS = (
    kinds.SUBJECT_UNKNOWN,
    kinds.NOTHING_TO_COMPARE,
    kinds.TOO_MANY_TAKES,
    kinds.NOT_JSON,
    kinds.BROKEN_JSON,
)
"""Of every such question."""


def each_once(keys: list[str]) -> list[str]:
    """The keys as they are; ValueError names one that stands twice."""
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise ValueError(f"names {twice!r:.80} twice")
    return keys


def quantity_key(key: str) -> str:
    """The key as it is; ValueError where it is no column of the catalogue, with the nearest ones."""
    parts = [column for column, one in columns().items() if one.quantity.key == key != column]
    if parts:
        raise ValueError(f"{key} has parts: name those you mean, such as {parts[0]} or {parts[-1]}")
    if key not in columns():
        near = get_close_matches(key, columns(), n=NEAREST)
        raise ValueError(f"{key!r:.80} is no quantity" + (f"; near: {', '.join(near)}" if near else ""))
    return key


SubjectKey = Annotated[str, StringConstraints(min_length=1, max_length=100)]
"""Key of a pickup, or id of a take."""
SubjectKeys = Annotated[list[SubjectKey], Field(min_length=1, max_length=MOST_SUBJECTS), AfterValidator(each_once)]
QuantityKey = Annotated[str, AfterValidator(quantity_key)]
"""Flat key of a quantity, such as rms_dbfs or octave_db_63."""
QuantityKeys = Annotated[list[QuantityKey], Field(min_length=1), AfterValidator(each_once)]
Confidence = Annotated[float, Field(ge=0.5, le=0.999, description="Of the intervals, and of all verdicts together")]


class ComparedQuantity(BaseModel):
    """One of the quantities asked for."""

    key: str
    name: str
    unit: str
    decimals: int
    more: str = Field(description="Word for a pickup that has more")
    less: str


class ComparedSubject(BaseModel):
    """One side."""

    id: str
    kind: str = Field(description="pickup or take")
    takes: list[str] = Field(description="Ids of its usable takes")
    strums: int


class TakeLeftOut(BaseModel):
    """A take that takes no part; without a take, a pickup that takes none."""

    take: str | None
    subject: str
    reason: str
