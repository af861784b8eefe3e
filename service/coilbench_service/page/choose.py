"""The page of a choice: a pickup that the player knows and a wish, answered by `choosing.choice`."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response
from pydantic import ConfigDict, Field, model_validator

from coilbench_service import problem_kinds as kinds
from coilbench_service import words
from coilbench_service.bench import Bench
from coilbench_service.choosing import choice
from coilbench_service.page.compare import said
from coilbench_service.page.layout import show
from coilbench_service.page.question import asked
from coilbench_service.page.subjects import offered, offered_with, quantity_groups
from coilbench_service.problems import Problem
from coilbench_service.question import SubjectKey
from coilbench_service.routes.choices import LoadOfChoice
from coilbench_worker.compare.columns import column, columns, in_a_sentence
from coilbench_worker.compare.ear import audible
from coilbench_worker.compare.words import DIRECTIONS

BY = "by."
"""Begin of the name of a field that asks for a quantity."""
WISH = "wish."
"""The same of its faults."""
UNREAD = "Some of the wish can't be read"
BESIDE_IT = "Leave one of them out; what each word asks for stands beside it."
LOAD = {
    "volume_pot_ohm": "Volume pot, ohm",
    "tone_pot_ohm": "Tone pot, ohm",
    "input_ohm": "Input, ohm",
    "cable_pf": "Cable, pF",
}


class ChooseQuery(LoadOfChoice):
    """Reference and wish; without both nothing is asked. Quantities go by `by.` and their key."""

    model_config = ConfigDict(extra="allow", strict=False)

    reference: SubjectKey | None = Field(None, description="The pickup that the player knows")
    word: list[str] = Field([], max_length=50, description="Words that are wished for")
    among: list[SubjectKey] = Field([], max_length=100, description="Pickups to choose from; none: all measured")
    session: SubjectKey | None = Field(None, description="Only takes of this session")

    @model_validator(mode="after")
    def _by_quantity(self) -> ChooseQuery:
        for name in self.model_extra or {}:
            if not name.startswith(BY):
                raise ValueError(f"{name!r:.80} is not known here")
        return self

    @property
    def by_quantity(self) -> dict[str, str]:
        """What is asked for of each quantity, as typed."""
        return {name.removeprefix(BY): str(value) for name, value in (self.model_extra or {}).items()}

    def wish(self) -> dict[str, Any]:
        """The whole wish as the API takes it."""
        return dict.fromkeys(self.word, True) | {key: _amount(text) for key, text in self.by_quantity.items()}


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /choose."""

    @pages.get("/choose", endpoint="choose")
    def show_choice() -> Response:
        query = asked(ChooseQuery)
        with bench.database.read() as connection:
            choices = offered(connection)
            known = words.meanings(connection)
        found: dict[str, Any] | None = None
        problem: Problem | None = None
        if query.reference is not None and (query.word or query.by_quantity):
            try:
                found = choice(
                    bench,
                    reference=query.reference,
                    wish=query.wish(),
                    among=[key for key in dict.fromkeys(query.among) if key != query.reference] or None,
                    session=query.session,
                    load=query.stated(),
                )
            except Problem as error:
                problem = error
        return show(
            "choose.html",
            200 if problem is None else problem.kind.status,
            here="page.choose",
            query=query,
            pickups=offered_with(choices.pickups, [query.reference, *query.among]),
            sessions=offered_with(choices.sessions, [query.session]),
            words=[(one, asks_for(one)) for one in known.values()],
            groups=[(title, [one for one in group if one.key in audible()]) for title, group in quantity_groups()],
            octaves=[one for one in columns().values() if one.quantity.key == "octave_db"],
            load=LOAD,
            problem=None if problem is None else told(problem, query),
            faults={} if problem is None else {one.field.removeprefix(WISH): one.message for one in problem.errors},
            found=found,
            column=column,
            compare=None
            if found is None
            else f"/compare?{urlencode([('baseline', found['reference']), *_shared(query)])}",
        )


def told(problem: Problem, query: ChooseQuery) -> dict[str, Any]:
    """The problem of a wish for people: what stands beside its field is not said again."""
    body = said(problem)
    at_fields = all(fault.field.removeprefix(WISH) in query.by_quantity for fault in problem.errors)
    if problem.errors and at_fields:
        return {"title": UNREAD, "detail": "", "advice": "Look at the marked fields below."}
    advice = {"advice": BESIDE_IT} if problem.kind is kinds.WISH_CONTRADICTORY else {}
    return {**body, **advice, "errors": []}


def asks_for(meaning: words.Meaning) -> str:
    """What a word asks for, in words: `more bass, less treble`."""
    return ", ".join(
        f"{'the same' if item.direction == 'same' else item.direction} {in_a_sentence(column(item.quantity).name)}"
        for item in meaning.items
    )


def _shared(query: ChooseQuery) -> list[tuple[str, str]]:
    return [("session", query.session)] if query.session else []


def _amount(text: str) -> float | str:
    """A number where it is one; more, less, same, or what was typed instead, which the wish then refuses."""
    if text.strip().casefold() in DIRECTIONS:
        return text.strip().casefold()
    try:
        return float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        return text
