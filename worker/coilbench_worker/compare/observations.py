"""What is compared: the strum, nested in its take, nested in its subject (a pickup, or one take by itself)."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite

Takes = tuple[tuple[float, ...], ...]
"""One quantity of a subject: for each take that has it, a value for each strum that has it."""


@dataclass(frozen=True, slots=True)
class TakeValues:
    """What was measured of one take. `values`: by column key (`rms_dbfs`, `octave_db_63`), one number for each strum
    that has the quantity; a single one where it is a property of the whole take (`evenness_db`).
    """

    take: str
    values: Mapping[str, tuple[float, ...]]

    def __post_init__(self) -> None:
        """Raise ValueError where a value is not finite: undefined ones are left out, never passed on."""
        for key, values in self.values.items():
            if not all(isfinite(value) for value in values):
                raise ValueError(f"{key} of the take {self.take!r} holds a value that is not finite")


@dataclass(frozen=True, slots=True)
class Subject:
    """One side of a comparison: its key, and its usable takes. Levels stand on one reference for all subjects."""

    key: str
    takes: tuple[TakeValues, ...]

    def of(self, quantity: str) -> Takes:
        """One quantity, for each take that has it; empty where none has."""
        found = (take.values.get(quantity, ()) for take in self.takes)
        return tuple(values for values in found if values)


@dataclass(frozen=True, slots=True)
class Tie:
    """How one quantity of two subjects hangs together.

    `standard_uncertainty` is that of bringing both to one gain, in the unit of the quantity, with its degrees of
    freedom (None: infinitely many); `assumes` names what is taken on trust, `withheld` why nothing can be said. Both
    are one plain sentence.
    """

    standard_uncertainty: float = 0.0
    degrees_of_freedom: float | None = None
    assumes: str | None = None
    withheld: str | None = None


Ties = Callable[[str, str, str], Tie]
"""Key of one subject, key of another, column of a quantity -> their tie; the same whichever comes first."""


def tied(first: str, second: str, quantity: str) -> Tie:
    """The tie of whatever needs no calibration: certain."""
    return Tie()
