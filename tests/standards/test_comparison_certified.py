"""Comparisons against the certified and published tables that are hard on arithmetic, or come as summaries."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from math import sqrt

import pytest

from coilbench_worker.compare.observations import Takes
from coilbench_worker.compare.scatter import of_subject, pooled
from coilbench_worker.compare.welch import welch

Deviation = Callable[..., None]

STRD = "NIST StRD analysis of variance (certified; files of scipy)"
BOOST = "AUTO83B as Boost.Math prints it"
HANDBOOK = "NIST/SEMATECH handbook 7.4.3"

FEW, SEVEN, THIRTEEN = "F of few leading digits", "F of seven leading digits", "F of thirteen leading digits"
FILES = {  # the leading digits leave so much of the rest in double precision
    **dict.fromkeys(("SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03"), FEW),
    **dict.fromkeys(("SmLs04", "SmLs05", "SmLs06"), SEVEN),
    **dict.fromkeys(("SmLs07", "SmLs08", "SmLs09"), THIRTEEN),
}


def certified(name: str) -> tuple[Takes, float, float]:
    """Groups, F and residual standard deviation of a file of NIST."""
    lines = files("scipy.stats.tests").joinpath("data", "nist_anova", f"{name}.dat").read_text("ascii").splitlines()
    f = next(float(line.split()[-1]) for line in lines if line.startswith("Between"))
    residual = next(float(line.split()[-1]) for line in lines if "Standard Deviation" in line)
    groups: dict[str, list[float]] = {}
    for line in lines[60:]:
        if line.split():
            group, value = line.split()
            groups.setdefault(group, []).append(float(value))
    return tuple(map(tuple, groups.values())), f, residual


@pytest.mark.standard(FEW, STRD, "SiRstv, AtmWtAg, SmLs01 to 03", tolerance=1e-8, unit="of it")
@pytest.mark.standard(SEVEN, STRD, "SmLs04 to 06", tolerance=1e-8, unit="of it")
@pytest.mark.standard(THIRTEEN, STRD, "SmLs07 to 09", tolerance=2e-3, unit="of it")
@pytest.mark.standard("residual standard deviation", STRD, "all eleven", tolerance=1e-4, unit="of it")
@pytest.mark.parametrize("name", FILES)
def test_certified_tables_survive_their_leading_digits(name: str, deviation: Deviation) -> None:
    groups, f, residual = certified(name)
    found = pooled([of_subject(groups)])
    assert found.take_variance is not None
    deviation(len(groups[0]) * found.take_variance / found.strum_variance / f - 1, FILES[name])
    deviation(sqrt(found.strum_variance) / residual - 1, "residual standard deviation")


def with_moments(n: int, mean: float, sd: float) -> list[float]:
    """n values with exactly this mean and standard deviation."""
    shape = [float(number) - (n - 1) / 2 for number in range(n)]
    scale = sd / sqrt(sum(each * each for each in shape) / (n - 1))
    return [mean + scale * each for each in shape]


@pytest.mark.standard("Welch: t of two makes of year", BOOST, "", tolerance=5e-4, unit="")
@pytest.mark.standard("Welch: degrees of freedom of it", BOOST, "", tolerance=5e-3, unit="")
@pytest.mark.standard("Welch: p of it", BOOST, "", tolerance=5e-4, unit="of it")
def test_a_far_tail_is_right_in_its_digits(deviation: Deviation) -> None:
    found = welch(with_moments(79, 30.48101, 6.10771), with_moments(249, 20.14458, 6.41470))
    deviation(found.difference / found.standard_error + 12.946, "Welch: t of two makes of year")
    deviation(found.degrees_of_freedom - 136.87, "Welch: degrees of freedom of it")
    deviation(found.p / 1.571e-25 - 1, "Welch: p of it")


@pytest.mark.standard("one-way F of three groups", HANDBOOK, "7.4.3.3", tolerance=0.005, unit="")
def test_the_handbooks_three_groups(deviation: Deviation) -> None:
    groups = ((6.9, 5.4, 5.8, 4.6, 4.0), (8.3, 6.8, 7.8, 9.2, 6.5), (8.0, 10.5, 8.1, 6.9, 9.3))
    found = pooled([of_subject(groups)])
    assert found.take_variance is not None
    deviation(5 * found.take_variance / found.strum_variance - 9.59, "one-way F of three groups")
