"""Comparisons: how other pickups or takes differ from a baseline, and whether the difference is real."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text
from coilbench.left_out import LeftOut, table_of_left_out
from coilbench.page import Page
from coilbench.result import RESULT_COLUMNS, ComparedQuantity, Result
from coilbench.table import Column, Table


@dataclass(frozen=True)
class Subject:
    """One side of a comparison: a pickup or a single take, the takes that carry it, how many strums these have."""

    id: str
    kind: str
    takes: tuple[str, ...]
    strums: int

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Subject:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            id=str(document["id"]),
            kind=str(document.get("kind") or ""),
            takes=tuple(str(id) for id in document.get("takes") or ()),
            strums=int(document.get("strums") or 0),
        )


@dataclass(frozen=True)
class Band:
    """A band at equal loudness: other minus baseline, with the interval of this band alone; withheld says why none."""

    other: str
    quantity: str
    part: str
    difference: float | None
    low: float | None
    high: float | None
    withheld: str | None


@dataclass(frozen=True)
class Condition:
    """A condition of recording that differs: its field, the baseline's value, the other's; None where none is said."""

    other: str
    field: str
    baseline: Any
    value: Any


@dataclass(frozen=True)
class Comparison(Answer):
    """How others differ from a baseline; iterates over the results.

    Attributes
    ----------
    baseline : key of a pickup, or id of a take
    confidence : of the intervals, such as 0.95; the verdicts of the whole answer hold at it together
    quantities, subjects : what was compared
    results : a row for each other and quantity
    ranking : by quantity, most first; those that can't be told apart share a place
    alike : by quantity, pairs on different places that can't be told apart all the same
    bands : tone band by band, at equal loudness
    conditions : of recording that differ
    left_out : takes that do not take part
    cautions : sentences to be read before the numbers
    method : one sentence on the statistics
    document : the whole of it as the service sent it
    """

    baseline: str
    confidence: float
    quantities: tuple[ComparedQuantity, ...]
    subjects: tuple[Subject, ...]
    results: tuple[Result, ...]
    ranking: Mapping[str, tuple[tuple[str, ...], ...]]
    alike: Mapping[str, tuple[tuple[str, ...], ...]]
    bands: tuple[Band, ...]
    conditions: tuple[Condition, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    method: str
    document: Mapping[str, Any] = field(repr=False)

    def __iter__(self) -> Iterator[Result]:
        return iter(self.results)

    def __len__(self) -> int:
        return len(self.results)

    def result(self, other: str, quantity: str) -> Result:
        """One row.

        Parameters
        ----------
        other, quantity : its id and key

        Raises
        ------
        KeyError : there is no such row
        """
        for one in self.results:
            if (one.other, one.quantity) == (other, quantity):
                return one
        raise KeyError((other, quantity))

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Comparison:
        """Read a comparison.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a comparison
        """
        quantities = tuple(ComparedQuantity.from_document(entry) for entry in document["quantities"])
        by_key = {quantity.key: quantity for quantity in quantities}
        return cls(
            baseline=str(document["baseline"]),
            confidence=float(document["confidence"]),
            quantities=quantities,
            subjects=tuple(Subject.from_document(entry) for entry in document["subjects"]),
            results=tuple(
                Result.from_document(entry, by_key.get(str(entry["quantity"]))) for entry in document["results"]
            ),
            ranking=_places(document["ranking"]),
            alike=_places(document.get("alike") or {}),
            bands=tuple(_band(entry) for entry in document.get("bands") or ()),
            conditions=tuple(
                Condition(str(entry["other"]), str(entry["field"]), entry.get("baseline"), entry.get("value"))
                for entry in document["conditions"]
            ),
            left_out=tuple(LeftOut.from_document(entry) for entry in document["left_out"]),
            cautions=tuple(str(one) for one in document.get("cautions") or ()),
            method=str(document.get("method") or ""),
            document=document,
        )

    def named(self, names: Mapping[str, str]) -> Comparison:
        """The same with names in place of ids, for reading; `document` stays.

        Parameters
        ----------
        names : by id of a take; what has none keeps its id
        """

        def name(id: str) -> str:
            return names.get(id, id)

        def places(of: Mapping[str, tuple[tuple[str, ...], ...]]) -> dict[str, tuple[tuple[str, ...], ...]]:
            return {key: tuple(tuple(map(name, ids)) for ids in found) for key, found in of.items()}

        return replace(
            self,
            baseline=name(self.baseline),
            subjects=tuple(replace(one, id=name(one.id)) for one in self.subjects),
            results=tuple(replace(one, other=name(one.other)) for one in self.results),
            ranking=places(self.ranking),
            alike=places(self.alike),
            bands=tuple(replace(one, other=name(one.other)) for one in self.bands),
            conditions=tuple(replace(one, other=name(one.other)) for one in self.conditions),
            left_out=tuple(one.named(names) for one in self.left_out),
        )

    def tables(self) -> dict[str, Table]:
        """Differences, ranking, bands, conditions, takes left out, cautions; empty ones but the first are not there."""
        band_columns = ("other", "quantity", "part", "difference", "low", "high", "withheld")
        found = {
            "differences": table_of_rows([one.row() for one in self.results], RESULT_COLUMNS),
            "ranking": table_of_rows(
                [
                    {"quantity": key, "place": place, "subject": id}
                    for key, places in self.ranking.items()
                    for place, ids in enumerate(places, 1)
                    for id in ids
                ],
                [Column("quantity", "Key of the quantity"), Column("place", "1 has most; shared by those alike"),
                 Column("subject", "Pickup or take")],
            ),
            "bands": table_of_rows([vars(one) for one in self.bands], _plain(*band_columns)),
            "conditions": table_of_rows(
                [vars(one) for one in self.conditions], _plain("other", "field", "baseline", "value")
            ),
            "left out": table_of_left_out(self.left_out),
            "cautions": sentences([*self.cautions, *([self.method] if self.method else [])], "caution", "To be read"),
        }  # fmt: skip
        return {name: table for name, table in found.items() if len(table) or name == "differences"}

    def page(self, width: int = USUAL_WIDTH, *, bands: bool = False) -> Page:
        """The comparison as text.

        Parameters
        ----------
        width : characters of a line
        bands : with the octaves
        """
        from coilbench.comparison_page import page_of

        return page_of(self, width, bands=bands)


def _places(document: Mapping[str, Any]) -> dict[str, tuple[tuple[str, ...], ...]]:
    return {str(key): tuple(tuple(str(id) for id in ids) for ids in places) for key, places in document.items()}


def _band(document: Mapping[str, Any]) -> Band:
    return Band(
        other=str(document["other"]),
        quantity=str(document["quantity"]),
        part=str(document["part"]),
        difference=number(document.get("difference")),
        low=number(document.get("low")),
        high=number(document.get("high")),
        withheld=text(document.get("withheld")),
    )


def _plain(*keys: str) -> list[Column]:
    return [Column(key, key.replace("_", " ").capitalize()) for key in keys]
