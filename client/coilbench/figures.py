"""Numbers as text: with sign, decimals and unit."""

from __future__ import annotations

LEVEL_UNITS = ("dBFS", "dBTP", "LUFS", "dBFS(A)", "dB re total")
"""Units of levels; a difference of two is in dB."""


def figure(value: float, decimals: int, unit: str = "", *, sign: bool = False) -> str:
    """A number with its unit; never a minus before nothing.

    Parameters
    ----------
    value : the number
    decimals : digits after the point
    unit : stands behind it, if any
    sign : with a plus as well
    """
    rounded = round(value, decimals) + 0.0  # -0.0 becomes 0.0
    text = f"{rounded:{'+' if sign and rounded else ''}.{decimals}f}"
    return f"{text} {unit}" if unit else text


def ends_of(low: float | None, high: float | None, decimals: int) -> str:
    """An interval; empty where there is none.

    Parameters
    ----------
    low, high : its ends
    decimals : digits after the point
    """
    if low is None or high is None:
        return ""
    return f"{figure(low, decimals, sign=True)} to {figure(high, decimals, sign=True)}"


def percent(share: float) -> str:
    """A share of one in percent.

    Parameters
    ----------
    share : 0 to 1
    """
    return f"{100 * share:.3g} %"


def unit_of_difference(unit: str) -> str:
    """The unit of a difference of two such values.

    Parameters
    ----------
    unit : of the values
    """
    return "dB" if unit in LEVEL_UNITS else unit
