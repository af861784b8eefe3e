"""The line of a specification chart and its interval follow from the figures of the fit."""

from __future__ import annotations

from math import log2, sqrt
from typing import Any

import numpy as np
import pytest

from coilbench_service.charts.specification import specification_chart
from coilbench_worker.compare.fit import line_of
from coilbench_worker.measure.statistics import student_t

XS = [5000.0, 6100.0, 7000.0, 9000.0, 14_000.0]
YS = [-30.0, -28.5, -27.0, -24.5, -21.0]


def answer(verdict: str) -> dict[str, Any]:
    """The answer of /v1/comparisons/specifications to five pickups."""
    line = line_of([log2(x) for x in XS], YS)
    low, high = line.interval(0.95)
    points = [
        {"pickup": f"p{number}", "x": x, "y": y, "low": y - 1, "high": y + 1}
        for number, (x, y) in enumerate(zip(XS, YS, strict=True))
    ]
    fit = {"field": "dcr_ohm", "quantity": "rms_dbfs", "scale": "doublings", "unit": "dB per doubling"}
    fit |= {"points": points, "verdict": verdict, "slope": line.slope, "low": low, "high": high, "carried_by": ["p4"]}
    quantity = {"key": "rms_dbfs", "name": "RMS level", "unit": "dBFS", "decimals": 1}
    whole = {"confidence": 0.95, "quantities": [quantity], "cautions": []}
    return {**whole, "results": [{**fit, "sentence": "A sentence."}]}


def layers(document: Any) -> list[Any]:
    found: list[Any] = document["vconcat"][0]["concat"][0]["layer"]
    return found


def test_interval_of_the_line_is_that_of_simple_linear_regression() -> None:
    """Closed form: t s sqrt(1/n + (x - mean)^2 / Sxx)."""
    drawn = layers(specification_chart(answer("predicts")).document())[0]["data"]["values"]
    at = np.log2(XS)
    line = line_of(list(at), YS)
    spread = float(np.sum((at - at.mean()) ** 2))
    for row in (drawn[0], drawn[len(drawn) // 2], drawn[-1]):
        x = log2(row["x"])
        half = student_t(3, 0.95) * line.residual_sd * sqrt(1 / 5 + (x - at.mean()) ** 2 / spread)
        assert row["y"] == pytest.approx(line.intercept + line.slope * x)
        assert (row["low"], row["high"]) == pytest.approx((row["y"] - half, row["y"] + half))


def test_no_line_is_drawn_where_none_was_shown() -> None:
    chart = specification_chart(answer("not-shown"))
    assert layers(chart.document())[0]["data"]["values"] == []
    assert [row["y"] for row in layers(chart.document())[1]["data"]["values"]] == YS
    assert "p4 14000, −21.0 dBFS (−22.0 to −20.0)" in chart.alternative


def test_field_of_the_sheet_is_named_for_people_with_its_unit_and_ones_own_by_its_name() -> None:
    for field, title in (("dcr_ohm", "DC resistance, ohm"), ("turns", "Turns"), ('datum["x"]', 'datum["x"]')):
        asked = answer("predicts")
        asked["results"][0]["field"] = field
        shown = specification_chart(asked).document()["vconcat"][0]["concat"][0]["encoding"]["x"]["title"]
        assert " ".join([shown] if isinstance(shown, str) else shown) == title
