"""Lines of least squares against certified values, published ones and closed forms."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from importlib.resources import files

import numpy as np
import pytest
from scipy import stats

from coilbench_worker.compare.fit import Line, line_of

Deviation = Callable[..., None]

NORRIS = "NIST StRD linear regression, Norris (certified values, file in scipy's wheel)"
ANSCOMBE = "F. J. Anscombe, Am. Stat. 27 (1973) 17"
CLOSED = "closed form"
SCIPY = "scipy.stats.linregress"

X123 = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0]
QUARTET = {
    "1": (X123, [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]),
    "2": (X123, [9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74]),
    "3": (X123, [7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73]),
    "4": ([8.0] * 7 + [19.0] + [8.0] * 3, [6.58, 5.76, 7.71, 8.84, 8.47, 7.04, 5.25, 12.50, 5.56, 7.91, 6.89]),
}
"""The four sets that share their line; from memory, and held to the figures that the paper prints."""


def norris() -> tuple[Line, dict[str, float]]:
    """The line through the file's data, and what the file certifies."""
    folder = files("scipy.stats.tests").joinpath("data", "nist_linregress", "Norris.dat")
    text = folder.read_text(encoding="ascii")
    number = r"(-?\d+\.\d+(?:E[+-]\d+)?)"
    b0 = re.search(rf"B0\s+{number}\s+{number}", text)
    b1 = re.search(rf"B1\s+{number}\s+{number}", text)
    residual = re.search(rf"Residual\s*\n?\s*Standard Deviation\s+{number}", text)
    squared = re.search(rf"R-Squared\s+{number}", text)
    assert b0
    assert b1
    assert residual
    assert squared
    rows = [line.split() for line in text[text.rindex("Data:") :].splitlines()[1:]]
    points = [(float(row[1]), float(row[0])) for row in rows if len(row) == 2]
    assert len(points) == 36
    certified = {
        "intercept": float(b0[1]), "intercept_error": float(b0[2]), "slope": float(b1[1]), "slope_error": float(b1[2]),
        "residual_sd": float(residual[1]), "r_squared": float(squared[1]),
    }  # fmt: skip
    return line_of([x for x, _ in points], [y for _, y in points]), certified


@pytest.mark.standard(
    "line of least squares: slope, intercept, their errors", NORRIS, "", tolerance=1e-10, unit="of it"
)
def test_norris_is_reproduced(deviation: Deviation) -> None:
    line, certified = norris()
    assert line.r is not None
    found = {name: getattr(line, name) for name in certified if name != "r_squared"} | {"r_squared": line.r**2}
    for name, value in certified.items():
        deviation(found[name] / value - 1)


@pytest.mark.standard("slope of four unlike sets", ANSCOMBE, "0.500", tolerance=5.1e-4, unit="of y over x")
@pytest.mark.standard("intercept of four unlike sets", ANSCOMBE, "3.00", tolerance=5.1e-3, unit="of y")
@pytest.mark.standard("error of the slope of four unlike sets", ANSCOMBE, "0.118", tolerance=5.1e-4, unit="of y over x")
@pytest.mark.parametrize("name", QUARTET)
def test_anscombes_sets_share_their_line(name: str, deviation: Deviation) -> None:
    line = line_of(*QUARTET[name])
    deviation(line.slope - 0.5, of="slope of four unlike sets")
    deviation(line.intercept - 3.0, of="intercept of four unlike sets")
    deviation(line.slope_error - 0.118, of="error of the slope of four unlike sets")


@pytest.mark.standard("slope and its error by hand", CLOSED, "x 1 2 3, y 1 3 2", tolerance=1e-14, unit="of y over x")
def test_three_points_are_worked_out_by_hand(deviation: Deviation) -> None:
    line = line_of([1.0, 2.0, 3.0], [1.0, 3.0, 2.0])
    deviation(line.slope - 0.5)
    deviation(line.slope_error - math.sqrt(1.5 / 2.0))  # residuals -1/2, 1, -1/2: sum of squares 1.5, one degree
    assert line.r == pytest.approx(0.5)


@pytest.mark.standard("p value, r and error of a slope", SCIPY, "", tolerance=1e-9, unit="of it")
@pytest.mark.standard("interval of a slope", "scipy.stats.t", "", tolerance=1e-9, unit="of it")
def test_lines_are_those_of_scipy(deviation: Deviation) -> None:
    draw = np.random.default_rng(3)
    for n in (3, 5, 12, 40):
        x, y = draw.uniform(0, 10, n), draw.standard_normal(n)
        y += 0.3 * x
        line, other = line_of(list(x), list(y)), stats.linregress(x, y)
        assert line.r is not None
        for found, expected in ((line.p, other.pvalue), (line.r, other.rvalue), (line.slope_error, other.stderr)):
            deviation(found / expected - 1, of="p value, r and error of a slope")
        low, high = line.interval(0.9)
        for found, expected in zip((low, high), stats.t.interval(0.9, n - 2, other.slope, other.stderr), strict=True):
            deviation(found / expected - 1, of="interval of a slope")
