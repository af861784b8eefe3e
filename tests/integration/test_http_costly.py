"""Costly questions: so many at a time, whatever becomes of their answers, and everything else is answered meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench_service import costly
from http_service import Service, assert_problem, service
from stored_takes import document, entered

CSV = "/v1/table?format=csv"


@pytest.fixture
def crowded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    """A service with two places and nobody who waits, and enough takes that a table is sent in pieces."""
    monkeypatch.setattr(costly, "AT_ONCE", 2)
    monkeypatch.setattr(costly, "MOST_WAITING", 0)
    with service(tmp_path) as made:
        for number in range(40):
            about = {"pickup": f"harbour-{number % 2}", "session": "week-14"}
            entered(made.bench.database, about, document([-20.0, -21.0, -22.0]), name=f"{number}.wav")
        yield made


def test_answers_on_their_way_hold_places_until_they_end_are_closed_or_forgotten(crowded: Service) -> None:
    first, second = (crowded.client.get(CSV, buffered=False) for _ in range(2))
    pieces = iter(first.response)
    assert next(pieces)
    refused = crowded.client.get(CSV)
    assert_problem(refused, 503, "too-many-questions")
    assert int(refused.headers["Retry-After"]) > 0
    assert_problem(crowded.client.post("/v1/comparisons", json={"baseline": "harbour-0"}), 503, "too-many-questions")
    assert crowded.client.get("/v1/takes").status_code == 200
    assert crowded.client.get("/").status_code == 200
    for _ in pieces:
        pass
    assert crowded.client.get(CSV).text.count("\n") == 41
    second.close()
    for _ in range(4):
        with crowded.client.get(CSV, buffered=False) as begun:
            assert begun.status_code == 200


def test_questions_that_fail_or_have_short_answers_hold_no_place(crowded: Service) -> None:
    for _ in range(5):
        assert crowded.client.post("/v1/comparisons", json={"baseline": "harbour-0"}).status_code == 200
        assert crowded.client.post("/v1/comparisons", json={"baseline": "nobody"}).status_code == 422
        assert crowded.client.get("/v1/table?format=nothing").status_code == 422
        with crowded.client.get("/v1/table?format=xlsx") as made:
            assert made.status_code == 200
        with crowded.client.head(CSV) as asked:
            assert asked.status_code == 200
