"""How a test against a published value states it: the marker `standard` and the fixture `deviation`.

    @pytest.mark.standard("true peak of sines", TECH_3341, "Table 1, cases 15 to 19", tolerance=(-0.4, 0.2), unit="dB")
    def test_...(deviation):
        deviation(measured - expected)

The call asserts that the deviation lies within the marker's tolerance and notes it among the properties of the test,
where `pytest --junitxml` finds it, on one process or several. docs/standards.py makes docs/standards.md of these, so
that the page can't say what was not tested. A marked test that passes without such a call fails.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass

import pytest

PROPERTY = "standard"


@dataclass(frozen=True)
class Statement:
    """What a marker says: a deviation within [low, high], both counted in `unit`; `limits` where these are a mask's."""

    quantity: str
    source: str
    clause: str
    low: float
    high: float
    unit: str
    limits: str | None

    def used(self, deviation: float) -> float:
        """Share of the tolerance that a deviation takes: more than 1 is outside, less is better."""
        if math.isinf(self.low):
            return 1.0 + deviation - self.high
        limit = self.high if deviation >= 0.0 else -self.low
        return abs(deviation) / limit if limit > 0.0 else (math.inf if deviation else 0.0)


def statement(mark: pytest.Mark) -> Statement:
    """What a marker says.

    Parameters
    ----------
    mark : `standard(quantity, source, clause, tolerance=..., unit=...)`, the tolerance a number (both ways), or (least,
        greatest); or with `limits="class 1"` in its place: the deviation is then what goes beyond a mask, 0 at the
        limit and negative inside
    """
    return _statement(*mark.args, **mark.kwargs)


def _statement(
    quantity: str,
    source: str,
    clause: str,
    *,
    unit: str,
    tolerance: float | tuple[float, float] | None = None,
    limits: str | None = None,
) -> Statement:
    if (tolerance is None) == (limits is None):
        raise TypeError(f"{quantity}: a standard is stated with either a tolerance or limits")
    if tolerance is None:
        low, high = -math.inf, 0.0
    else:
        low, high = tolerance if isinstance(tolerance, tuple) else (-tolerance, tolerance)
    if not low <= 0.0 <= high:
        raise ValueError(f"{quantity}: no deviation at all must lie within {low} and {high}")
    return Statement(quantity, source, clause, float(low), float(high), unit, limits)


class Deviations:
    """The deviations of one test: each is held against its statement, and the greatest of each is kept."""

    def __init__(self, stated: list[Statement]) -> None:
        self._stated = stated
        self.greatest: dict[Statement, float] = {}

    def __call__(self, deviation: float | None, of: str | None = None) -> None:
        """Assert that a deviation lies within its tolerance.

        Parameters
        ----------
        deviation : measured minus expected, in the marker's unit; None (nothing measured) is no value and fails
        of : quantity, where a test has several markers
        """
        __tracebackhide__ = True
        found = [each for each in self._stated if of is None or each.quantity == of]
        if len(found) != 1:
            pytest.fail(f"{len(found)} `standard` markers of {of or 'this test'}: name one of them with of=")
        (stated,) = found
        if deviation is None:
            pytest.fail(f"{stated.quantity}: nothing was measured")
        value = float(deviation)
        if not stated.low <= value <= stated.high:
            allowed = stated.limits or f"{stated.low:g} to {stated.high:g} {stated.unit}"
            pytest.fail(f"{stated.quantity}: deviates by {value:g} {stated.unit}, allowed is {allowed}")
        before = self.greatest.get(stated)
        if before is None or stated.used(value) > stated.used(before):
            self.greatest[stated] = value


@pytest.fixture
def deviation(request: pytest.FixtureRequest) -> Iterator[Deviations]:
    """Call it with what was measured minus what was expected: see the top of this file."""
    stated = [statement(mark) for mark in request.node.iter_markers("standard")]
    kept = Deviations(stated[::-1])
    yield kept
    for each, value in kept.greatest.items():
        noted = json.dumps({**asdict(each), "deviation": value, "used": each.used(value)})
        request.node.user_properties.append((PROPERTY, noted))


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    words = "standard(quantity, source, clause, *, tolerance | limits, unit): a published value that the test holds"
    config.addinivalue_line("markers", words)


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Iterator[None]:
    """Let no test pass that states a standard and holds nothing against it."""
    result = yield
    if pyfuncitem.get_closest_marker("standard") is not None:
        kept = pyfuncitem.funcargs.get("deviation")
        assert isinstance(kept, Deviations), "this test states a standard: let it take the fixture `deviation`"
        assert kept.greatest, "this test states a standard and never called deviation(...)"
    return result
