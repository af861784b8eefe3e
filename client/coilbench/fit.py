"""Fits: whether a number of the data sheet predicts what was measured, in this collection."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows
from coilbench.left_out import LeftOut, table_of_left_out
from coilbench.page import Page
from coilbench.result import ComparedQuantity
from coilbench.table import Column, Table

FIT_COLUMNS = (
    Column("field", "Field of the data sheet"),
    Column("quantity", "Key of the quantity"),
    Column("n", "Pickups that have both"),
    Column("slope", "Change of the quantity, as the unit says"),
    Column("unit", "Unit of the slope"),
    Column("low", "Lower end of the interval of the slope"),
    Column("high", "Upper end of the interval of the slope"),
    Column("r", "Correlation"),
    Column("p", "How often chance alone would give a slope as steep"),
    Column("p_holm", "The same for the whole answer, after Holm"),
    Column("prediction_width", "Width of the interval in which a further pickup would be found"),
    Column("verdict", "predicts, not-shown, too-few"),
    Column("sentence", "In words"),
)


@dataclass(frozen=True)
class Point:
    """A pickup of a fit: its value on the sheet, its measured mean."""

    pickup: str
    x: float
    y: float


@dataclass(frozen=True)
class FieldFit:
    """One field against one quantity. Numbers are None where there are too few pickups.

    Attributes
    ----------
    field, quantity : of the sheet; key
    n : pickups that have both
    slope, unit, low, high : with its interval, such as 2.1 dB per doubling
    r, p, p_holm : correlation; alone; for the whole answer
    prediction_width : of the interval in which a further pickup would be found
    verdict : predicts, not-shown or too-few
    sentence : in words
    points : the pickups
    """

    field: str
    quantity: str
    n: int
    slope: float | None
    unit: str
    low: float | None
    high: float | None
    r: float | None
    p: float | None
    p_holm: float | None
    prediction_width: float | None
    verdict: str
    sentence: str
    points: tuple[Point, ...]

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> FieldFit:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        numbers = ("slope", "low", "high", "r", "p", "p_holm", "prediction_width")
        return cls(
            field=str(document["field"]),
            quantity=str(document["quantity"]),
            n=int(document["n"]),
            unit=str(document.get("unit") or ""),
            **{name: number(document.get(name)) for name in numbers},
            verdict=str(document["verdict"]),
            sentence=str(document.get("sentence") or ""),
            points=tuple(
                Point(str(one["pickup"]), float(one["x"]), float(one["y"])) for one in document.get("points") or ()
            ),
        )


@dataclass(frozen=True)
class Fit(Answer):
    """Fields of the data sheet held against measured quantities; iterates over the pairs.

    Attributes
    ----------
    confidence : of the intervals
    quantities : that were measured
    fits : each field against each quantity
    left_out : pickups without the field, takes that can't carry it, each with the reason
    cautions : sentences to be read before the numbers
    document : the whole of it as the service sent it
    """

    confidence: float
    quantities: tuple[ComparedQuantity, ...]
    fits: tuple[FieldFit, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    document: Mapping[str, Any] = field(repr=False)

    def __iter__(self) -> Iterator[FieldFit]:
        return iter(self.fits)

    def __len__(self) -> int:
        return len(self.fits)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Fit:
        """Read an answer.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not fits
        """
        return cls(
            confidence=float(document["confidence"]),
            quantities=tuple(ComparedQuantity.from_document(entry) for entry in document.get("quantities") or ()),
            fits=tuple(FieldFit.from_document(entry) for entry in document["results"]),
            left_out=tuple(LeftOut.from_document(entry) for entry in document.get("left_out") or ()),
            cautions=tuple(str(one) for one in document.get("cautions") or ()),
            document=document,
        )

    def named(self, names: Mapping[str, str]) -> Fit:
        """The same with names in place of ids of takes that were left out, for reading; `document` stays.

        Parameters
        ----------
        names : by id; what has none keeps its id
        """
        return replace(self, left_out=tuple(one.named(names) for one in self.left_out))

    def tables(self) -> dict[str, Table]:
        """The fits; their points, what was left out, and cautions, where there are any."""
        points = [
            {"field": one.field, "quantity": one.quantity, "pickup": point.pickup, "x": point.x, "y": point.y}
            for one in self.fits
            for point in one.points
        ]
        point_columns = [Column("field", "Field"), Column("quantity", "Key of the quantity")]
        point_columns += [Column("pickup", "Pickup"), Column("x", "On the sheet"), Column("y", "Measured mean")]
        found = {
            "fits": table_of_rows([asdict(one) for one in self.fits], FIT_COLUMNS),
            "points": table_of_rows(points, point_columns),
            "left out": table_of_left_out(self.left_out),
            "cautions": sentences(self.cautions, "caution", "To be read"),
        }
        return {name: table for name, table in found.items() if len(table) or name == "fits"}

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The fits as text.

        Parameters
        ----------
        width : characters of a line
        """
        from coilbench.fit_page import page_of

        return page_of(self, width)
