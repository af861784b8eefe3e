"""The filters of lists and tables."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from pydantic import ValidationError

from coilbench_service.selection import TakeQuery, split_list

MOMENT = datetime(2030, 3, 1, 9, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2030-03-01T09:30:00Z", MOMENT),
        ("2030-03-01T10:30:00+01:00", MOMENT),
        ("2030-03-01T10:30:00 01:00", MOMENT),  # a + that arrived as a space
        ("2030-03-01T06:30:00-03:00", MOMENT),
        ("2030-03-01", MOMENT.replace(hour=0, minute=0)),
    ],
)
def test_a_moment_is_read(text: str, moment: datetime) -> None:
    assert TakeQuery(since=text).filter().since == moment  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "2030-03-01T09:30:00",
        "yesterday",
        "1893456000",
        "2030-02-30",
        "2030-13-01T00:00Z",
        "0001-01-01T00:00:00+23:59",  # before the first moment that can be told in UTC
        "9999-12-31T23:59:59-23:59",
    ],
)
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValidationError, match="since"):
        TakeQuery(since=text)  # type: ignore[arg-type]


def test_states_may_be_repeated_or_separated_by_commas() -> None:
    assert TakeQuery(state=["waiting,measuring", "failed"]).filter().state == ("waiting", "measuring", "failed")


@pytest.mark.parametrize("field", ["id", "state"])
@pytest.mark.parametrize("given", [[""], [",,,"], [" "], ["", ","]])
def test_a_list_that_is_given_and_names_nothing_is_refused(field: str, given: list[str]) -> None:
    """As no filter at all it would let every take through, which is the opposite of what was asked."""
    with pytest.raises(ValidationError, match=f"{field}\\n.*names nothing"):
        TakeQuery(**{field: given})  # type: ignore[arg-type]


def test_an_unknown_state_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValidationError, match="'done' is not a state; there are waiting, measuring"):
        TakeQuery(state=["done"])


@pytest.mark.parametrize(
    ("field", "value"), [("limit", 0), ("limit", 501), ("cursor", "a b"), ("sha256", "12"), ("staet", 1)]
)
def test_a_bad_value_or_name_is_refused(field: str, value: object) -> None:
    with pytest.raises(ValidationError, match=field):
        TakeQuery(**{field: value})


def test_a_hash_is_compared_in_lower_case() -> None:
    assert TakeQuery(sha256="AB" * 32).filter().sha256 == "ab" * 32


def test_empty_places_of_a_list_fall_out() -> None:
    assert split_list(["a, ,b", ""]) == ["a", "b"]


def test_a_moment_of_another_zone_stays_the_same_moment() -> None:
    zone = timezone(timedelta(hours=5))
    assert TakeQuery(since=MOMENT.astimezone(zone)).filter().since == MOMENT
