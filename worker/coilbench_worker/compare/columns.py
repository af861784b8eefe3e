"""What stands behind a flat key such as `rms_dbfs` or `octave_db_63`: its quantity, its name and units in words."""

from dataclasses import dataclass
from functools import lru_cache

from coilbench_worker.measure.catalogue import QUANTITIES, Quantity

FULL_SCALE_UNITS = ("dBFS", "dBTP", "LUFS", "dBFS(A)")
"""Units of levels re full scale, which only compare at one gain."""
LEVEL_UNITS = (*FULL_SCALE_UNITS, "dB re total")
"""Units of levels: a difference of two is in dB."""


@dataclass(frozen=True, slots=True)
class Column:
    """One number of a quantity: its flat key, its name for people, and the unit of a difference of two such values."""

    key: str
    name: str
    unit_of_difference: str
    quantity: Quantity


@lru_cache(maxsize=1)
def columns() -> dict[str, Column]:
    """Every column of the catalogue by its flat key, in the catalogue's order."""
    return {column.key: column for quantity in QUANTITIES for column in _columns_of(quantity)}


def column(key: str) -> Column:
    """The column of that key; KeyError when there is none."""
    return columns()[key]


def in_a_sentence(name: str) -> str:
    """The name of a quantity within a sentence: `Bass` as `bass`, `RMS level` as it is."""
    first = name.split()[0]
    return name if first.isupper() else name[0].lower() + name[1:]


def _columns_of(quantity: Quantity) -> list[Column]:
    unit = "dB" if quantity.unit in LEVEL_UNITS else quantity.unit
    if not quantity.parts:
        return [Column(quantity.key, quantity.name, unit, quantity)]
    keys = zip(quantity.columns(), quantity.parts, strict=True)
    return [Column(key, f"{quantity.name}, {part}", unit, quantity) for key, part in keys]
