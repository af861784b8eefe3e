"""Amounts in the words of a chart, with a real minus sign."""

from __future__ import annotations

from collections.abc import Sequence

MINUS = "\N{MINUS SIGN}"


def plain(value: float, decimals: int = 1) -> str:
    """Without a sign unless negative; what rounds to zero has none."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", MINUS)


def signed(value: float, decimals: int = 1) -> str:
    """With its sign."""
    return f"{round(value, decimals) + 0.0:+.{decimals}f}".replace("-", MINUS)


def hertz(value: float) -> str:
    """A frequency with its unit."""
    return f"{value / 1000:.3g} kHz" if value >= 1000 else f"{value:.3g} Hz"


def joined(parts: Sequence[str]) -> str:
    """One after the other: `a, b and c`."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
