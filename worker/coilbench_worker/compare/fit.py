"""Data sheet against measurement: does a number of the sheet predict what is measured, in this collection?

Ordinary least squares of a quantity on the doublings (log2) of a field: levels go with ratios. Fields that may be zero
or are ratios already are taken as they are. Each pickup counts once.

Source: closed forms of simple linear regression; held to NIST StRD Norris and scipy in tests/standards/test_fit.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import fsum, inf, isfinite, log2, sqrt
from typing import Literal

from scipy.special import stdtr

from coilbench_worker.compare.columns import column, in_a_sentence
from coilbench_worker.compare.holm import holm
from coilbench_worker.measure.statistics import CONFIDENCE, student_t

Scale = Literal["doublings", "plain"]
Verdict = Literal["predicts", "not-shown", "too-few"]

PLAIN_UNITS = {
    "preamp_gain_db": "dB",
    "battery_v": "V",
    "dcr_temperature_c": "deg C",
    "wire_awg": "AWG number",
    "capacitance_pf": "pF",
    "pole_spacing_mm": "mm",
}
"""Fields that are not counted in doublings, with units: they may be zero, hardly double, or are ratios already."""
LEAST = 5
"""Pickups below which nothing is said of a line: common practice, no source."""
MOST_NAMED = 3
"""Pickups named one by one in a sentence."""
FEW = 10
"""Pickups below which a line is said with a caution: common practice, no source."""
CHANCE = " By itself this interval leaves out zero; among all that was asked together it may be chance."
ROUNDING = 1e-12
"""Of the sum of squares: a residual below this share of it is rounding."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = intercept + slope x by least squares through n >= 3 points.

    `residual_sd` and `slope_error` (standard deviation of the slope) with n - 2 degrees of freedom, in the units of y
    and of y over x. `p` is two-sided; `r` is None where y does not vary.
    """

    n: int
    slope: float
    intercept: float
    mean_x: float
    residual_sd: float
    slope_error: float
    intercept_error: float
    r: float | None
    p: float

    @property
    def degrees_of_freedom(self) -> int:
        """Of residuals and slope."""
        return self.n - 2

    def interval(self, confidence: float) -> tuple[float, float]:
        """Lower and upper bound of the slope, by Student's t."""
        half = student_t(self.degrees_of_freedom, confidence) * self.slope_error
        return self.slope - half, self.slope + half

    def prediction_half_width(self, confidence: float) -> float:
        """Half the width of the interval that holds one further point, at the mean of x, where it is narrowest."""
        return student_t(self.degrees_of_freedom, confidence) * self.residual_sd * sqrt(1.0 + 1.0 / self.n)


@dataclass(frozen=True, slots=True)
class Point:
    """A pickup of a fit: what its sheet says, and what was measured."""

    pickup: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class FieldFit:
    """One field against one quantity; numbers are None where `withheld` says why.

    Attributes
    ----------
    n : pickups that have both
    unit : of the slope, such as dB per doubling
    slope, low, high, standard_error : with its interval
    r, p, p_holm : correlation; alone; for all fits together
    prediction_width : of the interval in which a further pickup would be found in the middle of the field's range
    slope_without : least and greatest slope when any one pickup is left out
    carried_by : pickups without any one of which the verdict would be another
    verdict : predicts, not-shown or too-few
    """

    field: str
    quantity: str
    n: int
    scale: Scale
    unit: str
    points: tuple[Point, ...]
    verdict: Verdict
    slope: float | None = None
    low: float | None = None
    high: float | None = None
    standard_error: float | None = None
    degrees_of_freedom: int | None = None
    r: float | None = None
    p: float | None = None
    p_holm: float | None = None
    prediction_width: float | None = None
    slope_without: tuple[float, float] | None = None
    carried_by: tuple[str, ...] = ()
    withheld: str | None = None
    sentence: str = ""


def fits(
    members: Mapping[str, Mapping[str, float]],
    fields: Mapping[str, Mapping[str, float]],
    *,
    quantities: Sequence[str],
    confidence: float = CONFIDENCE,
) -> tuple[FieldFit, ...]:
    """Hold each field of the sheets against each quantity.

    Parameters
    ----------
    members : of each pickup its values by flat key, one number a quantity (`pickup_value`), levels on one reference
    fields : by name of the field, of each pickup that has it its value; fields in the order of the answer
    quantities : flat keys, in the order of the answer
    confidence : of the intervals, and for all fits together of the verdicts

    Returns
    -------
    One for each field and quantity, field by field. Nothing changes when pickups come in another order.

    Raises
    ------
    ValueError : a value that is not finite; a confidence outside 0 to 1
    KeyError : a quantity that is not in the catalogue
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1, not {confidence}")
    rows: list[tuple[FieldFit, Line | None]] = []
    for field, said in fields.items():
        for quantity in quantities:
            points = [
                Point(pickup, float(said[pickup]), members[pickup][quantity])
                for pickup in sorted(said)
                if quantity in members.get(pickup, {})
            ]
            rows.append(_bare(field, quantity, points))
    steps = iter(holm([line.p for _, line in rows if line is not None]))
    found = []
    for fit, line in rows:
        if line is not None:
            step = next(steps)
            fit = _with_line(fit, line, step.adjusted, (1.0 - confidence) / step.divisor, confidence)
        found.append(replace(fit, sentence=_sentence(fit, confidence)))
    return tuple(found)


def line_of(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """The line of least squares.

    Parameters
    ----------
    xs, ys : shape (n,), n >= 3

    Raises
    ------
    ValueError : fewer than three points, not as many of both, not finite, or all xs alike
    """
    n = len(xs)
    if n < 3 or len(ys) != n:
        raise ValueError(f"a line with its uncertainty needs three points or more, not {n} and {len(ys)}")
    if not all(isfinite(value) for value in (*xs, *ys)):
        raise ValueError("a point of a line is not finite")
    mean_x, mean_y = fsum(xs) / n, fsum(ys) / n
    across = [x - mean_x for x in xs]
    up = [y - mean_y for y in ys]
    squares_x, squares_y = fsum(x * x for x in across), fsum(y * y for y in up)
    if min(xs) == max(xs):
        raise ValueError("all points have the same x: no line can be told from them")
    product = fsum(x * y for x, y in zip(across, up, strict=True))
    slope = product / squares_x
    squares = fsum((y - slope * x) ** 2 for x, y in zip(across, up, strict=True))
    residual_sd = sqrt(squares / (n - 2)) if squares > ROUNDING * ROUNDING * squares_y else 0.0
    slope_error = residual_sd / sqrt(squares_x)
    return Line(
        n=n,
        slope=slope,
        intercept=mean_y - slope * mean_x,
        mean_x=mean_x,
        residual_sd=residual_sd,
        slope_error=slope_error,
        intercept_error=residual_sd * sqrt(1.0 / n + mean_x * mean_x / squares_x),
        r=None if squares_y == 0.0 else max(-1.0, min(1.0, product / sqrt(squares_x * squares_y))),
        p=float(2.0 * stdtr(n - 2, -_ratio(slope, slope_error))),
    )


def _ratio(slope: float, error: float) -> float:
    if error > 0.0:
        return abs(slope) / error
    return inf if slope else 0.0


def _bare(field: str, quantity: str, points: Sequence[Point]) -> tuple[FieldFit, Line | None]:
    scale: Scale = "plain" if field in PLAIN_UNITS or any(point.x <= 0.0 for point in points) else "doublings"
    unit = column(quantity).unit_of_difference
    per = "doubling" if scale == "doublings" else PLAIN_UNITS.get(field, f"1 of {field}")
    fit = FieldFit(field, quantity, len(points), scale, f"{unit} per {per}", tuple(points), "too-few")
    if len(points) < LEAST:
        return replace(fit, withheld=f"only {len(points)} pickups have both, and a line wants {LEAST}"), None
    if len({point.x for point in points}) < 3:
        return replace(fit, withheld=f"the pickups have fewer than three values of {field} between them"), None
    if len({point.y for point in points}) == 1:
        return replace(fit, withheld="all pickups read exactly alike, as copies of one recording do"), None
    return fit, _line(points, scale)


def _line(points: Sequence[Point], scale: Scale) -> Line:
    return line_of([log2(one.x) if scale == "doublings" else one.x for one in points], [one.y for one in points])


def _with_line(fit: FieldFit, line: Line, p_holm: float, level: float, confidence: float) -> FieldFit:
    """The fit with its numbers; `level` is what a p value of its own was held to."""
    shown = p_holm < 1.0 - confidence
    low, high = line.interval(confidence)
    slopes, carriers = [], []
    for index, point in enumerate(fit.points):
        rest = [*fit.points[:index], *fit.points[index + 1 :]]
        if len({one.x for one in rest}) < 2:
            continue
        without = _line(rest, fit.scale)
        slopes.append(without.slope)
        if (without.p < level) != shown:
            carriers.append(point.pickup)
    return replace(
        fit,
        verdict="predicts" if shown else "not-shown",
        slope=line.slope,
        low=low,
        high=high,
        standard_error=line.slope_error,
        degrees_of_freedom=line.degrees_of_freedom,
        r=line.r,
        p=line.p,
        p_holm=p_holm,
        prediction_width=2.0 * line.prediction_half_width(confidence),
        slope_without=(min(slopes), max(slopes)) if slopes else None,
        carried_by=tuple(carriers),
    )


def _sentence(fit: FieldFit, confidence: float) -> str:
    meant = column(fit.quantity)
    what = in_a_sentence(meant.name)
    if fit.slope is None or fit.low is None or fit.high is None or fit.prediction_width is None:
        return f"Of {fit.field} and {what} nothing can be said: {fit.withheld}."
    among = f"In this collection of {fit.n} pickups"
    interval = f"{100 * confidence:.3g} %: {fit.low:+.2f} to {fit.high:+.2f}"
    unit, decimals = meant.unit_of_difference, meant.quantity.decimals
    if fit.verdict == "predicts":
        said = (
            f"{among}, {fit.field} goes with {what}: {fit.slope:+.2f} {fit.unit} ({interval}). A further pickup like "
            f"these would be found within {fit.prediction_width / 2:.{decimals}f} {unit} of the line."
        )
        said += " What goes together need not be the cause."
        without = "this would not be shown"
    else:
        said = (
            f"{among}, {fit.field} is not shown to predict {what}: anything from {fit.low:+.2f} to {fit.high:+.2f} "
            f"{fit.unit} agrees with it."
        )
        if fit.low > 0.0 or fit.high < 0.0:
            said += CHANCE
        without = "it would be shown"
    parts = [said]
    if fit.carried_by:
        parts.append(f"Without {_any_of(fit.carried_by)} {without}.")
    if fit.n < FEW:
        parts.append(f"{fit.n} pickups are few: one more may change this.")
    return " ".join(parts)


def _any_of(pickups: Sequence[str]) -> str:
    return " or ".join(pickups) if len(pickups) <= MOST_NAMED else f"any one of {len(pickups)} of them"
