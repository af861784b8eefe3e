"""The columns of a table: what is known of the take, then the quantities of the catalogue, vectors spread by part."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Literal

from coilbench_worker.measure.catalogue import QUANTITIES, Quantity

Per = Literal["strum", "take"]


@dataclass(frozen=True)
class Column:
    """One column: `key` heads it, `unit` is in the key too; `decimals` is None for text and whole numbers."""

    key: str
    title: str
    unit: str | None = None
    decimals: int | None = None


@dataclass(frozen=True)
class Series:
    """One number of a quantity: `quantity` and, for vectors, the `part`; `column` is its flat key."""

    quantity: Quantity
    part: str | None

    @property
    def column(self) -> str:
        """The flat key, such as rms_dbfs or octave_db_63."""
        return self.quantity.key if self.part is None else f"{self.quantity.key}_{self.part}"

    @property
    def title(self) -> str:
        """The quantity's name and part, for people."""
        return self.quantity.name if self.part is None else f"{self.quantity.name}, {self.part}"


_KNOWN = (
    Column("take", "Take"),
    Column("file", "File"),
    Column("label", "Label"),
    Column("session", "Session"),
    Column("pickup", "Pickup"),
    Column("chain", "Input chain"),
    Column("guitar", "Guitar"),
    Column("position", "Position"),
)
_JUDGED = (
    Column("usable", "Can carry a comparison"),
    Column("checks", "Checks that spoke up"),
    Column("calibration", "What millivolts rest on"),
)
_STRUM = (
    *_KNOWN,
    *_JUDGED,
    Column("strum", "Strum"),
    Column("onset_s", "Onset", "s", 4),
    Column("end_s", "End", "s", 4),
    Column("ended_by", "Ended by"),
)
_TAKE = (
    *_KNOWN,
    Column("state", "State"),
    Column("problem", "Problem"),
    *_JUDGED,
    Column("strums", "Strums found"),
)
REASONS = Column("reasons", "Why cells are empty, or means are of some strums only")
SPREAD = (
    ("_sd", "sd", "standard deviation"),
    ("_low", "low", "lower bound of the mean"),
    ("_high", "high", "upper bound of the mean"),
)
"""What stands beside a mean: ending of the column, name in the summary, words."""
UNCERTAINTY = ("_expanded_uncertainty", "expanded_uncertainty_mv", "expanded uncertainty (95 %), calibration included")


def names() -> list[str]:
    """Every name that a choice of quantities may use: keys, and flat keys of the parts of vectors."""
    keys: dict[str, None] = {}
    for quantity in QUANTITIES:
        keys[quantity.key] = None
        keys.update(dict.fromkeys(series.column for series in _series_of(quantity)))
    return list(keys)


def series(of: Collection[str], chosen: Collection[str] | None) -> Iterator[Series]:
    """The numbers to show, in the order of the catalogue.

    Parameters
    ----------
    of : which kinds of quantity: strum, take, noise
    chosen : keys or flat keys; None means all
    """
    for quantity in QUANTITIES:
        if quantity.of not in of:
            continue
        for one in _series_of(quantity):
            if chosen is None or quantity.key in chosen or one.column in chosen:
                yield one


def columns(per: Per, chosen: Collection[str] | None = None) -> list[Column]:
    """All columns of a table."""
    if per == "strum":
        return [*_STRUM, *(_plain(one) for one in series(("strum",), chosen)), REASONS]
    spread = [column for one in series(("strum",), chosen) for column in _spread(one)]
    return [*_TAKE, *spread, *(_plain(one) for one in series(("take", "noise"), chosen)), REASONS]


def spread_of(one: Series) -> tuple[tuple[str, str, str], ...]:
    """What stands beside the mean of a quantity: as `SPREAD`, and for millivolts their uncertainty."""
    return (*SPREAD, UNCERTAINTY) if one.quantity.unit == "mV" else SPREAD


def _series_of(quantity: Quantity) -> list[Series]:
    return [Series(quantity, part) for part in quantity.parts] if quantity.parts else [Series(quantity, None)]


def _plain(one: Series) -> Column:
    return Column(one.column, one.title, one.quantity.unit or None, one.quantity.decimals)


def _spread(one: Series) -> list[Column]:
    mean = _plain(one)
    further = [
        Column(mean.key + end, f"{mean.title}, {words}", mean.unit, mean.decimals) for end, _, words in spread_of(one)
    ]
    return [Column(mean.key, f"{mean.title}, mean", mean.unit, mean.decimals), *further]
