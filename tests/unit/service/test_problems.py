"""Problem bodies stay short, whatever was sent."""

from __future__ import annotations

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem, encode


def test_a_problem_does_not_send_everything_back() -> None:
    errors = [FieldError("x" * 60_000, "y" * 60_000) for _ in range(5000)]
    body = Problem(kinds.INVALID_REQUEST, "z" * 500_000, errors=errors).body()
    assert len(encode(body)) < 20_000
    assert body["detail"].startswith("zzz")
    assert body["errors"][-1] == {"field": "", "message": "and 4980 more"}


def test_an_ordinary_problem_is_told_in_full() -> None:
    errors = [FieldError(f"field_{number}", "is not known here") for number in range(20)]
    body = Problem(kinds.INVALID_REQUEST, "d" * 1000, errors=errors).body()
    assert body["detail"] == "d" * 1000
    assert body["errors"] == [{"field": error.field, "message": error.message} for error in errors]
