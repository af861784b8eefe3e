"""Winding wire against tables: rounded diameters, bounds by gauge and by diameter, anchors of wire tables.

Sources: ASTM B258, MW 1000 and IEC 60317-0-1 through secondary texts and makers' data (the standards were not read).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from coilbench_worker.coil.tolerance import bounds_ohm_per_m
from coilbench_worker.coil.wire import MIL_MM, diameter_of_gauge, resistance_per_metre

Deviation = Callable[..., None]

ASTM = "ASTM B258, through secondary texts"
MW_1000 = "MW 1000, through two makers' data"
IEC_60317 = "IEC 60317-0-1, through a maker's table"
TABLE = "wire table, through secondary texts"
THOUSAND_FEET_M = 304.8

ROUNDED = ((40, 3.1, 3.5407), (41, 2.8, 4.3401), (42, 2.5, 5.4442), (43, 2.2, 7.0302), (44, 2.0, 8.5066))
BY_GAUGE = (
    (40, 1012.8, 1152.4),
    (41, 1233.2, 1422.7),
    (42, 1534.2, 1800.6),
    (43, 1960.5, 2351.7),
    (44, 2351.7, 2872.9),
)
BY_DIAMETER = (
    (0.050, 7.922, 8.706, 9.489),
    (0.056, 6.316, 6.940, 7.565),
    (0.060, 5.562, 6.046, 6.529),
    (0.063, 5.045, 5.484, 5.922),
    (0.067, 4.404, 4.848, 5.359),
    (0.071, 3.941, 4.318, 4.747),
    (0.080, 3.133, 3.401, 3.703),
    (0.100, 2.034, 2.176, 2.333),
)


@pytest.mark.standard("rounded diameter by gauge", ASTM, "0.1 mil up to No. 44", tolerance=1e-9, unit="mil")
@pytest.mark.standard("resistance of rounded wire", TABLE, "at 1/58 ohm mm2/m", tolerance=5.1e-5, unit="ohm per m")
@pytest.mark.parametrize(("awg", "mil", "ohm_per_m"), ROUNDED)
def test_rounded_gauges_are_those_of_tables(awg: int, mil: float, ohm_per_m: float, deviation: Deviation) -> None:
    found_mm = diameter_of_gauge(awg, "rounded")
    deviation(found_mm / MIL_MM - mil, "rounded diameter by gauge")
    deviation(resistance_per_metre(found_mm) - ohm_per_m, "resistance of rounded wire")


@pytest.mark.standard("bounds of 1000 ft by gauge", MW_1000, "least and greatest diameter", tolerance=0.051, unit="ohm")
@pytest.mark.parametrize(("awg", "low", "high"), BY_GAUGE)
def test_bounds_of_a_gauge_are_those_of_its_least_and_greatest_diameter(
    awg: int, low: float, high: float, deviation: Deviation
) -> None:
    found = bounds_ohm_per_m(diameter_of_gauge(awg), awg)
    assert found.low is not None
    assert found.high is not None
    deviation(found.low * THOUSAND_FEET_M - low)
    deviation(found.high * THOUSAND_FEET_M - high)


@pytest.mark.standard("bounds of a metre by diameter", IEC_60317, "0.05 to 0.10 mm", tolerance=6e-4, unit="ohm per m")
@pytest.mark.standard("nominal metre by diameter", IEC_60317, "1/58.5 ohm mm2/m", tolerance=5.6e-4, unit="ohm per m")
@pytest.mark.parametrize(("diameter_mm", "low", "nominal", "high"), BY_DIAMETER)
def test_metric_wire_has_the_bounds_of_its_table(
    diameter_mm: float, low: float, nominal: float, high: float, deviation: Deviation
) -> None:
    found = bounds_ohm_per_m(diameter_mm)
    assert found.low is not None
    assert found.high is not None
    deviation(found.low - low, "bounds of a metre by diameter")
    deviation(found.high - high, "bounds of a metre by diameter")
    deviation(resistance_per_metre(diameter_mm, "winding-wire") - nominal, "nominal metre by diameter")


@pytest.mark.standard("1000 ft of AWG 36, 5 mil", TABLE, "414.8 ohm", tolerance=0.15, unit="ohm")
def test_a_thousand_feet_of_gauge_36_are_those_of_the_wire_table(deviation: Deviation) -> None:
    assert diameter_of_gauge(36) == pytest.approx(5 * MIL_MM, rel=1e-12)
    deviation(resistance_per_metre(diameter_of_gauge(36)) * THOUSAND_FEET_M - 414.8)


@pytest.mark.standard("step of a gauge", ASTM, "92^(1/39)", tolerance=5.1e-8, unit="of it")
def test_a_gauge_is_thinner_than_the_one_before_by_the_same_share(deviation: Deviation) -> None:
    for awg in (40.0, 41.0, 42.5):
        deviation(diameter_of_gauge(awg) / diameter_of_gauge(awg + 1) - 1.1229322)
