"""Comparisons: how other pickups or takes differ from a baseline, and whether the difference is real."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text, whole
from coilbench.page import Page
from coilbench.table import Column, Table

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
class LeftOut:
    """A take that does not take part, the subject it belongs to, and why."""

    take: str
    subject: str
    reason: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> LeftOut:
        """Read an entry; KeyError when it is none."""
        return cls(str(document.get("take") or ""), str(document.get("subject") or ""), str(document["reason"]))

    def named(self, names: Mapping[str, str]) -> LeftOut:
        """The same with the take's name in place of its id.

        Parameters
        ----------
        names : by id
        """
        return replace(self, take=names.get(self.take, self.take), subject=names.get(self.subject, self.subject))


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
            "left out": table_of_rows([vars(one) for one in self.left_out], _plain("take", "subject", "reason")),
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
