"""One row of a comparison: a quantity of one other against the baseline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from coilbench.answer import number, text, whole
from coilbench.table import Column

SHOWN = ("higher", "lower")
RESULT_COLUMNS = (
    Column("other", "What is compared with the baseline"),
    Column("quantity", "Key of the quantity"),
    Column("unit", "Unit of the difference"),
    Column("baseline_mean", "Mean of the baseline"),
    Column("other_mean", "Mean of the other"),
    Column("difference", "Other minus baseline"),
    Column("low", "Lower end of the interval of the difference"),
    Column("high", "Upper end of the interval of the difference"),
    Column("verdict", "higher, lower, no-difference-shown"),
    Column("word", "The verdict in the trade's word"),
    Column("p", "How often chance alone would give a difference as large"),
    Column("p_holm", "The same for the whole answer, after Holm"),
    Column("g", "Hedges' g"),
    Column("smallest_shown", "True difference that this plan would have shown four times in five"),
    Column("strums_to_settle", "Strums of each that would show the difference four times in five"),
    Column("takes_to_settle", "Takes of each that would show the difference four times in five"),
    Column("not_to_settle", "Why no number of strums is named"),
    Column("standard_error", "Standard error of the difference"),
    Column("degrees_of_freedom", "Degrees of freedom of the standard error"),
    Column("method", "welch or nested"),
    Column("baseline_takes", "Takes of the baseline"),
    Column("other_takes", "Takes of the other"),
    Column("baseline_strums", "Strums of the baseline"),
    Column("other_strums", "Strums of the other"),
    Column("assumes", "What is taken on trust"),
    Column("withheld", "Why nothing is said"),
)
"""Columns of a saved comparison: the figures in the order in which they are looked at."""


@dataclass(frozen=True)
class ComparedQuantity:
    """A quantity that was asked for: key, name for people, unit, decimals that tell, words for more and less of it."""

    key: str
    name: str
    unit: str
    decimals: int
    more: str
    less: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> ComparedQuantity:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            key=str(document["key"]),
            name=str(document.get("name") or document["key"]),
            unit=str(document.get("unit") or ""),
            decimals=int(document.get("decimals") or 0),
            more=str(document.get("more") or "higher"),
            less=str(document.get("less") or "lower"),
        )


@dataclass(frozen=True)
class Result:
    """One quantity of one other against the baseline. Numbers are None where the row is withheld.

    Attributes
    ----------
    other, quantity, unit : id of the other, key of the quantity, unit of the difference
    baseline_mean, other_mean, difference : difference is other minus baseline
    low, high : interval of the difference, at the comparison's confidence
    standard_error, degrees_of_freedom, method : how the interval came about (welch or nested)
    g : Hedges' g
    p, p_holm : alone; for the whole answer
    verdict : higher, lower or no-difference-shown; None where withheld
    word : the verdict in the trade's word, such as hotter
    smallest_shown : true difference that this plan would have shown with probability 0.8
    strums_to_settle, takes_to_settle : that would show the difference seen with probability 0.8; `not_to_settle` says
        why none is named
    takes, strums : of baseline and other
    assumes : what is taken on trust, or None
    withheld : why nothing is said, or None
    sentence : the row in words
    """

    other: str
    quantity: str
    unit: str
    baseline_mean: float | None
    other_mean: float | None
    difference: float | None
    low: float | None
    high: float | None
    standard_error: float | None
    degrees_of_freedom: float | None
    method: str | None
    g: float | None
    p: float | None
    p_holm: float | None
    verdict: str | None
    word: str | None
    smallest_shown: float | None
    strums_to_settle: int | None
    takes_to_settle: int | None
    not_to_settle: str | None
    takes: tuple[int, int]
    strums: tuple[int, int]
    assumes: str | None
    withheld: str | None
    sentence: str

    @property
    def shown(self) -> bool:
        """Whether a difference is shown."""
        return self.verdict in SHOWN

    @classmethod
    def from_document(cls, document: Mapping[str, Any], quantity: ComparedQuantity | None) -> Result:
        """Read a row; KeyError, TypeError or ValueError when it is none.

        Parameters
        ----------
        document : the JSON object
        quantity : gives the word of the verdict
        """
        verdict = text(document.get("verdict"))
        words = {"no-difference-shown": "no difference shown"}
        if quantity is not None:
            words |= {"higher": quantity.more, "lower": quantity.less}
        takes, strums = document.get("takes") or (0, 0), document.get("strums") or (0, 0)
        numbers = (
            *("baseline_mean", "other_mean", "difference", "low", "high", "standard_error", "degrees_of_freedom"),
            *("g", "p", "p_holm", "smallest_shown"),
        )
        return cls(
            other=str(document["other"]),
            quantity=str(document["quantity"]),
            unit=str(document.get("unit") or ""),
            **{name: number(document.get(name)) for name in numbers},
            method=text(document.get("method")),
            verdict=verdict,
            word=words.get(verdict, verdict) if verdict else None,
            strums_to_settle=whole(document.get("strums_to_settle")),
            takes_to_settle=whole(document.get("takes_to_settle")),
            not_to_settle=text(document.get("not_to_settle")),
            takes=(int(takes[0]), int(takes[1])),
            strums=(int(strums[0]), int(strums[1])),
            assumes=text(document.get("assumes")),
            withheld=text(document.get("withheld")),
            sentence=str(document.get("sentence") or ""),
        )

    def row(self) -> dict[str, Any]:
        """The row for a table."""
        row = asdict(self)
        for side, place in (("baseline", 0), ("other", 1)):
            row[f"{side}_takes"] = self.takes[place]
            row[f"{side}_strums"] = self.strums[place]
        return row
