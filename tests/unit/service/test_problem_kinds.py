"""The table of problem kinds is whole, and agrees with those who raise its kinds."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import Problem, answer, from_refusal
from coilbench_service.routes.problem_pages import every_kind
from coilbench_worker import measure
from coilbench_worker.audio.refusal import AudioRefused
from coilbench_worker.jobs import problems as stored
from coilbench_worker.measure.checks import CHECKS


def _all_refusals(root: type[AudioRefused] = AudioRefused) -> list[type[AudioRefused]]:
    return [kind for child in root.__subclasses__() for kind in [child, *_all_refusals(child)]]


@pytest.mark.parametrize("kind", every_kind(), ids=lambda kind: kind.slug)
def test_each_kind_has_a_slug_a_status_and_one_line_of_advice(kind: ProblemKind) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", kind.slug)
    assert 400 <= kind.status <= 599
    assert kind.title
    assert not kind.title.endswith(".")
    assert "\n" not in kind.advice
    assert kind.advice.endswith(".")


def test_no_slug_is_there_twice() -> None:
    slugs = [kind.slug for kind in every_kind()]
    assert len(slugs) == len(set(slugs))


@pytest.mark.parametrize("refusal", _all_refusals(), ids=lambda refusal: refusal.code)
def test_every_refusal_of_a_sound_file_is_in_the_table_with_its_status(refusal: type[AudioRefused]) -> None:
    kind = kinds.BY_SLUG[refusal.code]
    assert kind in kinds.AUDIO_REFUSALS
    assert kind.status == refusal.status


def test_a_refusal_keeps_its_own_detail_and_advice() -> None:
    problem = from_refusal(next(kind for kind in _all_refusals() if kind.code == "too-long")("9999 s", "Cut it."))
    assert problem.body() == {
        "type": "/problems/too-long",
        "title": kinds.BY_SLUG["too-long"].title,
        "status": 422,
        "detail": "9999 s",
        "advice": "Cut it.",
        "errors": [{"field": "file", "message": "9999 s"}],
    }


def test_the_problems_of_failed_takes_can_be_opened() -> None:
    made = [stored.given_up("j", 3), stored.measuring_failed("j", 1), stored.took_too_long("j", 9.0)]
    assert {problem["type"] for problem in made} <= {kind.type for kind in every_kind()}


def test_the_checks_that_end_a_measurement_and_no_others_can_be_opened() -> None:
    checks = {f"/problems/{check.code}" for check in CHECKS}
    assert checks & {kind.type for kind in every_kind()} == {f"/problems/{code}" for code in kinds.ENDING_CHECKS}


def test_the_checks_that_end_a_measurement_are_those_the_measuring_code_ends_with() -> None:
    ending: set[str] = set()
    for path in Path(measure.__path__[0]).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Raise) and "Unmeasurable" in ast.unparse(node):
                ending.update(re.findall(r"raised\('([a-z-]+)'", ast.unparse(node)))
    assert ending == set(kinds.ENDING_CHECKS)


def test_an_extension_never_hides_a_member_of_the_standard() -> None:
    problem = Problem(kinds.NOT_FOUND, "here", extensions={"title": "other", "state": "x"})
    assert problem.body()["title"] == kinds.NOT_FOUND.title
    assert problem.body()["state"] == "x"


def test_the_answer_is_problem_json_and_is_not_cached() -> None:
    response = answer(Problem(kinds.NOT_READY, "here", headers={"Retry-After": "5"}))
    assert (response.status_code, response.mimetype) == (503, "application/problem+json")
    assert (response.headers["Retry-After"], response.headers["Cache-Control"]) == ("5", "no-store")
