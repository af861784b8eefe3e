"""What a measurement was asked to do: windows from the onset, the number of strums expected, the channel. Stored with
the result.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

Window = tuple[float, float]

WINDOW_LIMIT_S = 10.0
WINDOW_LEAST_S = 0.01
"""Shorter windows hold too few samples to speak of a level, at low sample rates none at all."""
WINDOW_RULE = (
    f"must be [start, stop] in seconds, 0 <= start < stop <= {WINDOW_LIMIT_S:g}, at least {WINDOW_LEAST_S:g} s long"
)


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """Windows are (start, stop) in seconds from the onset; `channel` counts from 1, None lets the program choose or
    refuse.
    """

    level_window_s: Window = (0.0, 0.5)
    attack_window_s: Window = (0.0, 0.1)
    body_window_s: Window = (0.1, 0.5)
    tail_window_s: Window = (0.5, 1.5)
    expected_strums: int | None = None
    channel: int | None = None

    def to_document(self) -> dict[str, Any]:
        """The settings as JSON values, every field present."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        return {name: list(value) if isinstance(value, tuple) else value for name, value in values.items()}

    def key(self) -> str:
        """16 hexadecimal digits that are equal for equal settings and for nothing else (SHA-256, shortened)."""
        canonical = json.dumps(self.to_document(), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(canonical.encode()).hexdigest()[:16]


class SettingsInvalid(ValueError):
    """Settings that can't be used; `faults` lists (field, message)."""

    def __init__(self, faults: list[tuple[str, str]]) -> None:
        super().__init__("; ".join(f"{field}: {message}" for field, message in faults))
        self.faults = faults


def from_document(document: Mapping[str, Any]) -> MeasureSettings:
    """Settings from JSON values; what is missing keeps its default.

    Parameters
    ----------
    document : keys are the fields of MeasureSettings; windows are [start_s, stop_s], at least 10 ms long, 0 <= start,
        stop <= 10 s

    Raises
    ------
    SettingsInvalid : with every faulty field named
    """
    known = {field.name for field in fields(MeasureSettings)}
    faults: list[tuple[str, str]] = []
    values: dict[str, Any] = {}
    for name, value in document.items():
        if name not in known:
            faults.append((name, f"no such setting; there are {', '.join(sorted(known))}"))
        elif name.endswith("_window_s"):
            window = _window(value)
            if window is None:
                faults.append((name, WINDOW_RULE))
            else:
                values[name] = window
        elif value is not None and (isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 10_000):
            faults.append((name, "must be a whole number from 1 to 10000, or null"))
        else:
            values[name] = value
    if faults:
        raise SettingsInvalid(faults)
    return MeasureSettings(**values)


def _window(value: Any) -> Window | None:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        return None
    if any(isinstance(edge, bool) or not isinstance(edge, (int, float)) for edge in value):
        return None
    start, stop = float(value[0]), float(value[1])
    long_enough = stop - start >= WINDOW_LEAST_S * (1.0 - 1e-9)
    return (start, stop) if 0.0 <= start < stop <= WINDOW_LIMIT_S and long_enough else None
