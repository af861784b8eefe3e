"""Checks of what was said about a take."""

from typing import Any

import pytest

from coilbench_worker.measure.description import description_checks


@pytest.mark.parametrize("about", [{}, {"input_gain_db": None}, {"label": "one", "pickup": "harbour-neck"}])
def test_take_of_unknown_gain_is_noted(about: dict[str, Any]) -> None:
    (check,) = description_checks(about)
    assert (check.code, check.severity) == ("gain-unknown", "note")
    assert "input_gain_db" in check.message


@pytest.mark.parametrize("gain_db", [0, 0.0, -12.5, 30])
def test_take_of_known_gain_is_not(gain_db: float) -> None:
    assert description_checks({"input_gain_db": gain_db}) == ()
