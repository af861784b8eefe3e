"""The columns of a table: what is known of the subject, then the quantities of the catalogue, vectors spread by part.

A key is the same in every format and carries the unit; a spreadsheet explains each on a sheet of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from coilbench_worker.compare.columns import column as compared
from coilbench_worker.compare.pickup_value import EVENNESS
from coilbench_worker.measure.catalogue import QUANTITIES, Quantity

Per = Literal["strum", "take", "pickup"]
Spread = Literal["all", "none"]
Kind = Literal["text", "number", "whole", "truth"]


@dataclass(frozen=True)
class Column:
    """One column: `key` heads it, `unit` is in the key too; `decimals` are worth showing, None for text and counts."""

    key: str
    title: str
    unit: str | None = None
    decimals: int | None = None
    kind: Kind = "text"
    definition: str = ""
    source: str = ""


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
_CHECKS = Column("checks", "Checks that spoke up", definition="Codes of the checks; what they mean is in /v1/checks")
_JUDGED = (
    Column("usable", "Can carry a comparison", kind="truth"),
    _CHECKS,
    Column("calibration", "What millivolts rest on"),
)
_STRUM = (
    *_KNOWN,
    *_JUDGED,
    Column("strum", "Strum", kind="whole"),
    Column("onset_s", "Onset", "s", 4, "number"),
    Column("end_s", "End", "s", 4, "number"),
    Column("ended_by", "Ended by", definition="next, damped, noise or file-end"),
)
_TAKE = (
    *_KNOWN,
    Column("state", "State"),
    Column("problem", "Problem"),
    *_JUDGED,
    Column("strums", "Strums found", kind="whole"),
)
SHEET = (
    Column("name", "Name"),
    Column("construction", "Construction"),
    Column("active", "Preamp in the housing", kind="truth"),
    Column("position", "Position"),
    Column("guitar", "Guitar"),
    Column("magnet", "Magnet"),
    Column("wire_awg", "Wire, AWG", kind="number"),
    Column("turns", "Turns", kind="whole"),
    Column("dcr_ohm", "DC resistance, as the sheet says", "ohm", 0, "number"),
    Column("inductance_h", "Inductance, as the sheet says", "H", 3, "number"),
    Column("capacitance_pf", "Capacitance, as the sheet says", "pF", 0, "number"),
    Column("rated_output_mv", "Rated output, as the sheet says", "mV", 0, "number"),
)
"""What a pickup's row has of its data sheet, by the sheet's own names."""
_PICKUP = (
    Column("pickup", "Pickup"),
    *SHEET,
    Column("takes", "Takes that count", kind="whole", definition="Usable, measured, of copies the newest"),
    Column("strums", "Strums of these takes", kind="whole"),
    Column("left_out", "Takes left out", kind="whole"),
    Column("left_out_why", "Why they are left out"),
    Column(
        "interval_from",
        "What intervals rest on",
        definition="takes: Student's t over take means, as strums of one take share its setup; strums: of the one take "
        "there is, so that plugging in again is not in the interval, and quantities of a whole take have none",
    ),
    Column(
        "levels_at_gain_db",
        "Input gain that levels are read at",
        "dB",
        1,
        "number",
        "That of the table's first take that counts; levels of takes at other gains are brought there by calibrations",
    ),
    Column("assumes", "What levels take on trust"),
    _CHECKS,
)
REASONS = Column("reasons", "Why cells are empty, or means are of some strums only")
SPREAD = (
    ("_sd", "sd", "standard deviation"),
    ("_low", "low", "lower bound of the mean"),
    ("_high", "high", "upper bound of the mean"),
)
"""What stands beside a mean: ending of the column, name in the summary, words."""
UNCERTAINTY = ("_expanded_uncertainty", "expanded_uncertainty_mv", "expanded uncertainty (95 %), calibration included")
COUNT = "_n"
"""Ending of what a row knows beside its columns: how many values a mean rests on."""
_BOUNDS = "Of the 95 % interval of the mean"
_EXPANDED = "Student's t, at the effective degrees of freedom, times the combined standard uncertainty"
_MEANT = {
    "take": {
        "": "Mean of the take's strums.",
        "_sd": "Between the strums of the take",
        "_low": f"{_BOUNDS}, over strums",
        UNCERTAINTY[0]: f"{_EXPANDED} of the calibration and of the mean of strums",
    },
    "pickup": {
        "": "Unweighted mean of its takes' means.",
        "_sd": "Between the means of takes",
        "_low": f"{_BOUNDS}; see interval_from",
        UNCERTAINTY[0]: f"{_EXPANDED} of the calibration and of the mean; never less than half the interval",
    },
}
_POOLED = "Of several takes: about the mean of each, all together; no interval is given."
_SOURCES = {UNCERTAINTY[0]: "JCGM 100:2008 (GUM), annex G"}


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


def shown(per: Per, chosen: Collection[str] | None = None) -> tuple[list[Series], list[Series]]:
    """The numbers of a table: those that have a spread, and those that stand alone."""
    if per == "strum":
        return [], list(series(("strum",), chosen))
    if per == "take":
        return list(series(("strum",), chosen)), list(series(("take", "noise"), chosen))
    return list(series(("strum", "take", "noise"), chosen)), []


def known(per: Per) -> tuple[Column, ...]:
    """The columns of the subject itself: a strum, a take or a pickup."""
    return {"strum": _STRUM, "take": _TAKE, "pickup": _PICKUP}[per]


def columns(per: Per, chosen: Collection[str] | None = None, spread: Spread = "all") -> list[Column]:
    """All columns of a table, one for each number."""
    means, single = shown(per, chosen)
    numbers = [column for one in means for column in _with_spread(per, one, spread)]
    return [*known(per), *numbers, *(plain(one) for one in single), REASONS]


def spread_of(one: Series) -> tuple[tuple[str, str, str], ...]:
    """What stands beside the mean of a quantity: as `SPREAD`, and for millivolts their uncertainty."""
    return (*SPREAD, UNCERTAINTY) if one.quantity.unit == "mV" else SPREAD


def plain(one: Series) -> Column:
    """The column of a number by itself."""
    of = one.quantity
    return Column(one.column, one.title, of.unit or None, of.decimals, "number", of.definition, of.source)


def _series_of(quantity: Quantity) -> list[Series]:
    return [Series(quantity, part) for part in quantity.parts] if quantity.parts else [Series(quantity, None)]


def _with_spread(per: Per, one: Series, spread: Spread) -> list[Column]:
    number = plain(one)
    meant = _MEANT[per] | {"_high": _MEANT[per]["_low"]}
    if one.column == EVENNESS:
        mean = replace(number, definition=f"{number.definition} {_POOLED}")
    else:
        mean = replace(number, title=f"{number.title}, mean", definition=f"{number.definition} {meant['']}")
    if spread == "none":
        return [mean]
    units = {"_sd": compared(one.column).unit_of_difference or None}  # of a level in dBFS or LUFS it is in dB
    decimals = None if number.decimals is None else number.decimals + 1
    return [
        mean,
        *(
            Column(
                number.key + end,
                f"{number.title}, {words}",
                units.get(end, number.unit),
                decimals,
                "number",
                meant[end],
                _SOURCES.get(end, ""),
            )
            for end, _, words in spread_of(one)
        ),
    ]
