"""The page of a comparison: asked by a form, answered by `comparing.compare`; nothing is worked out here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.charts import bands
from coilbench_service.charts.beside import MOST_TAKES as MOST_BESIDE
from coilbench_service.charts.intervals import intervals_chart
from coilbench_service.comparing import HEADLINE, compare
from coilbench_service.field_labels import label_of
from coilbench_service.page.layout import show
from coilbench_service.page.question import asked
from coilbench_service.page.subjects import offered, offered_with, quantity_groups
from coilbench_service.problems import Problem
from coilbench_service.question import Confidence, QuantityKey, SubjectKey
from coilbench_service.report.findings import compared
from coilbench_service.studying import study
from coilbench_service.subject_names import subject_names
from coilbench_worker.compare.columns import column

CONFIDENCES = (0.9, 0.95, 0.99)
IN_THE_FORM = "Choose among those that the form below offers."
NOT_SHOWN = "no difference shown"


class CompareQuery(BaseModel):
    """What is to be compared; without a baseline nothing is."""

    model_config = ConfigDict(extra="forbid")

    baseline: SubjectKey | None = Field(None, description="Key of a pickup, or id of a take")
    other: list[SubjectKey] = Field([], max_length=100, description="The same; none: every other pickup measured")
    quantity: list[QuantityKey] = Field([], description="None: the usual ones")
    session: SubjectKey | None = Field(None, description="Only takes of this session")
    confidence: Confidence = 0.95
    hand: bool = Field(False, description="Also how far the hand scatters")

    @property
    def others(self) -> list[str]:
        """Each once, without the baseline."""
        return [key for key in dict.fromkeys(self.other) if key != self.baseline]

    @property
    def quantities(self) -> list[str]:
        """Each once; where none is asked for, the usual ones."""
        return list(dict.fromkeys(self.quantity)) or list(HEADLINE)


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /compare."""

    @pages.get("/compare", endpoint="compare")
    def show_comparison() -> Response:
        query = asked(CompareQuery)
        with bench.database.read() as connection:
            choices = offered(connection)
        found: dict[str, Any] = {}
        problem: Problem | None = None
        if query.baseline is not None:
            try:
                found = _found(bench, query)
            except Problem as error:
                problem = error
        return show(
            "compare.html",
            200 if problem is None else problem.kind.status,
            here="page.compare",
            query=query,
            quantities=query.quantities,
            pickups=offered_with(choices.pickups, query.other),
            baselines=offered_with(choices.pickups, [query.baseline]),
            sessions=offered_with(choices.sessions, [query.session]),
            groups=quantity_groups(),
            confidences=sorted({*CONFIDENCES, query.confidence}),
            problem=None if problem is None else said(problem),
            **dict.fromkeys(("comparison", "names", "hand")) | found,
        )


def said(problem: Problem) -> dict[str, Any]:
    """A problem for the form it came from; where a key is unknown, the form has those that are."""
    return problem.body() | ({"advice": IN_THE_FORM} if problem.kind is kinds.SUBJECT_UNKNOWN else {})


def _found(bench: Bench, query: CompareQuery) -> dict[str, Any]:
    assert query.baseline is not None
    found = compare(
        bench,
        baseline=query.baseline,
        others=query.others or None,
        quantities=query.quantities,
        confidence=query.confidence,
        session=query.session,
    )
    names = subject_names(bench, found["subjects"])
    subjects = [one["id"] for one in found["subjects"]]
    shared = [("session", query.session)] if query.session else []
    shared.append(("confidence", f"{query.confidence:g}"))
    chosen = [("quantity", key) for key in query.quantities]
    pairs = [("baseline", query.baseline), *(("other", key) for key in subjects[1:])]
    return {
        "comparison": found,
        "names": names,
        "sentences": compared(found),
        "intervals": f"/v1/charts/intervals?{urlencode([*pairs, *chosen, *shared])}",
        "intervals_words": intervals_chart(found, names).alternative,
        "bands": None
        if len(subjects) > bands.MOST
        else f"/v1/charts/bands?{urlencode([*(('pickup', key) for key in subjects), *shared])}",
        "tables": tables(found),
        "thirds": thirds(found),
        "rankings": rankings(found, names),
        "conditions": [{**one, "label": label_of(one["field"])} for one in found["conditions"]],
        "listen": _listen(found),
        "hand": study(
            bench,
            subjects=subjects,
            session=query.session,
            quantities=query.quantities,
            difference={},
            confidence=query.confidence,
        )
        if query.hand
        else None,
    }


def tables(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The rows by quantity, greatest difference first, those of which nothing is said last; verdicts in words."""
    shown = []
    for one in found["quantities"]:
        words = {"higher": one["more"], "lower": one["less"]}
        rows = [
            {**row, "words": words.get(row["verdict"] or "", NOT_SHOWN if row["verdict"] else "nothing said")}
            for row in found["results"]
            if row["quantity"] == one["key"]
        ]
        rows.sort(key=lambda row: (row["difference"] is None, -(row["difference"] or 0.0)))
        shown.append({**one, "unit_of_difference": column(one["key"]).unit_of_difference, "rows": rows})
    return shown


def thirds(found: Mapping[str, Any]) -> list[tuple[str, list[Mapping[str, Any]]]]:
    """Third-octave bands at equal loudness, low to high: the band and its row for each of the others."""
    shown: dict[str, list[Mapping[str, Any]]] = {}
    for row in found["bands"]:
        if row["quantity"] == "third_octave_db":
            shown.setdefault(row["part"], []).append(row)
    return list(shown.items())


def rankings(found: Mapping[str, Any], names: Mapping[str, str]) -> list[dict[str, Any]]:
    """Places by quantity, most first, each with the number that it begins at; only where pickups fall apart."""
    shown = []
    for key, places in found["ranking"].items():
        if len(places) < 2:
            continue
        number, told = 1, []
        for place in places:
            told.append((number, [names.get(one, one) for one in place]))
            number += len(place)
        alike = [[names.get(one, one) for one in pair] for pair in found["alike"].get(key, [])]
        shown.append({"name": column(key).name, "more": column(key).quantity.more, "places": told, "alike": alike})
    return shown


def _listen(found: Mapping[str, Any]) -> str | None:
    """Where the first take of each side stands beside the others."""
    first = [one["takes"][0] for one in found["subjects"] if one["takes"]][:MOST_BESIDE]
    return f"/takes/beside?{urlencode([('take', take) for take in first])}" if len(first) > 1 else None
