"""Groups of pickups by a field of the data sheet, such as active against passive: each pickup counts once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from dataclasses import field as member
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text
from coilbench.left_out import LeftOut, table_of_left_out
from coilbench.page import Page
from coilbench.result import ComparedQuantity
from coilbench.table import Column, Table

PAIR_COLUMNS = (
    Column("baseline", "One value of the field"),
    Column("other", "The other value"),
    Column("quantity", "Key of the quantity"),
    Column("unit", "Unit of the difference"),
    Column("difference", "Other minus one, of the means over pickups"),
    Column("low", "Lower end of the interval of the difference"),
    Column("high", "Upper end of the interval of the difference"),
    Column("verdict", "higher, lower, no-difference-shown"),
    Column("word", "The verdict in the trade's word"),
    Column("p", "How often chance alone would give a difference as large"),
    Column("p_holm", "The same for the whole answer, after Holm"),
    Column("g", "Hedges' g"),
    Column("withheld", "Why nothing is said"),
    Column("sentence", "In words"),
)


WORDS = {"active": ("passive", "active"), "potted": ("not potted", "potted")}
"""What no and yes mean for a field."""


@dataclass(frozen=True)
class GroupMean:
    """A quantity of a group: mean over its pickups, how many have it, and its standard deviation and interval."""

    mean: float | None
    n: int
    sd: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Group:
    """Pickups that share a value of the field: the value, the same in words, their keys, and means by quantity."""

    value: Any
    name: str
    members: tuple[str, ...]
    means: Mapping[str, GroupMean]

    @classmethod
    def from_document(cls, document: Mapping[str, Any], field: str) -> Group:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            value=document["value"],
            name=name_of(document["value"], field),
            members=tuple(str(key) for key in document["members"]),
            means={str(key): _mean(entry) for key, entry in document["means"].items()},
        )


@dataclass(frozen=True)
class Pair:
    """One quantity of two groups: other minus baseline, as in a comparison. Numbers are None where it is withheld."""

    baseline: Any
    other: Any
    quantity: str
    unit: str
    difference: float | None
    low: float | None
    high: float | None
    g: float | None
    p: float | None
    p_holm: float | None
    verdict: str | None
    word: str | None
    withheld: str | None
    sentence: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any], quantity: ComparedQuantity | None) -> Pair:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        verdict = text(document.get("verdict"))
        words = {"no-difference-shown": "no difference shown"}
        if quantity is not None:
            words |= {"higher": quantity.more, "lower": quantity.less}
        return cls(
            baseline=document["baseline"],
            other=document["other"],
            quantity=str(document["quantity"]),
            unit=str(document.get("unit") or ""),
            **{name: number(document.get(name)) for name in ("difference", "low", "high", "g", "p", "p_holm")},
            verdict=verdict,
            word=words.get(verdict, verdict) if verdict else None,
            withheld=text(document.get("withheld")),
            sentence=str(document.get("sentence") or ""),
        )


@dataclass(frozen=True)
class Groups(Answer):
    """Groups of pickups and how they differ; iterates over the pairs.

    Attributes
    ----------
    field : of the data sheet
    confidence : of the intervals; the verdicts of the whole answer hold at it together
    quantities : that were compared
    groups : pickups by the value of the field, each pickup once
    results : a row for each two groups and quantity
    left_out : pickups without sheet or field, takes that can't carry it, each with the reason
    cautions : sentences to be read before the numbers
    document : the whole of it as the service sent it
    """

    field: str
    confidence: float
    quantities: tuple[ComparedQuantity, ...]
    groups: tuple[Group, ...]
    results: tuple[Pair, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    document: Mapping[str, Any] = member(repr=False)

    def __iter__(self) -> Iterator[Pair]:
        return iter(self.results)

    def __len__(self) -> int:
        return len(self.results)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Groups:
        """Read an answer.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not groups
        """
        quantities = tuple(ComparedQuantity.from_document(entry) for entry in document["quantities"])
        by_key = {quantity.key: quantity for quantity in quantities}
        return cls(
            field=str(document["field"]),
            confidence=float(document["confidence"]),
            quantities=quantities,
            groups=tuple(Group.from_document(entry, str(document["field"])) for entry in document["groups"]),
            results=tuple(
                Pair.from_document(entry, by_key.get(str(entry["quantity"]))) for entry in document["results"]
            ),
            left_out=tuple(LeftOut.from_document(entry) for entry in document.get("left_out") or ()),
            cautions=tuple(str(one) for one in document.get("cautions") or ()),
            document=document,
        )

    def name(self, value: Any) -> str:
        """A value of the field in words.

        Parameters
        ----------
        value : of a group, or a side of a pair
        """
        return name_of(value, self.field)

    def named(self, names: Mapping[str, str]) -> Groups:
        """The same with names in place of ids of takes that were left out, for reading; `document` stays.

        Parameters
        ----------
        names : by id; what has none keeps its id
        """
        return replace(self, left_out=tuple(one.named(names) for one in self.left_out))

    def tables(self) -> dict[str, Table]:
        """The pairs; the groups' means, what was left out, and cautions, where there are any."""
        means = [
            {"value": group.name, "members": ", ".join(group.members), "quantity": key, **vars(mean)}
            for group in self.groups
            for key, mean in group.means.items()
        ]
        columns = [
            Column(key, key.capitalize()) for key in ("value", "members", "quantity", *GroupMean.__annotations__)
        ]
        pairs = [
            asdict(one) | {"baseline": self.name(one.baseline), "other": self.name(one.other)} for one in self.results
        ]
        found = {
            "differences": table_of_rows(pairs, PAIR_COLUMNS),
            "groups": table_of_rows(means, columns),
            "left out": table_of_left_out(self.left_out),
            "cautions": sentences(self.cautions, "caution", "To be read"),
        }
        return {name: table for name, table in found.items() if len(table) or name == "differences"}

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The groups as text.

        Parameters
        ----------
        width : characters of a line
        """
        from coilbench.groups_page import page_of

        return page_of(self, width)


def name_of(value: Any, field: str) -> str:
    """A value of a field in words.

    Parameters
    ----------
    value : as the service sent it
    field : of the data sheet
    """
    if isinstance(value, bool) and field in WORDS:
        return WORDS[field][value]
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _mean(document: Mapping[str, Any]) -> GroupMean:
    numbers = {name: number(document.get(name)) for name in ("mean", "sd", "low", "high")}
    return GroupMean(n=int(document["n"]), **numbers)
