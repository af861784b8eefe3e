"""Choices: which pickups come closest to a wish, and by how much each misses it; and the words that wishes may use."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text
from coilbench.errors import BadDescription
from coilbench.left_out import LeftOut, table_of_left_out
from coilbench.page import Page
from coilbench.table import Column, Table

DIRECTIONS = ("more", "less", "same")
MISS_COLUMNS = (
    Column("place", "1 comes closest"),
    Column("pickup", "Key of the pickup"),
    Column("fits", "Whether it fulfils every wish"),
    Column("quantity", "Key of the quantity"),
    Column("unit", "Unit of change and miss"),
    Column("change", "Pickup minus reference"),
    Column("low", "Lower end of the interval of the change"),
    Column("high", "Upper end of the interval of the change"),
    Column("met", "Whether this wish is fulfilled"),
    Column("miss", "How far the change is from what was wished"),
    Column("miss_in_uncertainty", "The same in standard uncertainties"),
    Column("miss_in_ear_steps", "The same in steps that an ear can tell"),
    Column("withheld", "Why nothing is said"),
)


@dataclass(frozen=True)
class WishItem:
    """One wish as the service read it: the word or key asked for, the quantity, its direction, the amount wanted, and
    the step that an ear can tell.
    """

    asked: str
    quantity: str
    unit: str
    direction: str
    amount: float | None
    ear_step: float | None

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> WishItem:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            asked=str(document["asked"]),
            quantity=str(document["quantity"]),
            unit=str(document.get("unit") or ""),
            direction=str(document["direction"]),
            amount=number(document.get("amount")),
            ear_step=number(document.get("ear_step")),
        )


@dataclass(frozen=True)
class Miss:
    """One wish held against one pickup: the change from the reference with its interval, how far off that is (in the
    unit, in standard uncertainties, in steps of an ear), whether it is met; or why nothing is said.
    """

    quantity: str
    change: float | None
    low: float | None
    high: float | None
    miss: float | None
    miss_in_uncertainty: float | None
    miss_in_ear_steps: float | None
    met: bool | None
    withheld: str | None

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Miss:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        numbers = ("change", "low", "high", "miss", "miss_in_uncertainty", "miss_in_ear_steps")
        return cls(
            quantity=str(document["quantity"]),
            **{name: number(document.get(name)) for name in numbers},
            met=document.get("met"),
            withheld=text(document.get("withheld")),
        )


@dataclass(frozen=True)
class Candidate:
    """One pickup: its place, whether it fits, its miss in all (None where it can't be said), wish by wish, in words."""

    place: int | None
    pickup: str
    fits: bool
    miss: float | None
    items: tuple[Miss, ...]
    sentence: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Candidate:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        place = document.get("place")
        return cls(
            place=None if place is None else int(place),
            pickup=str(document["pickup"]),
            fits=bool(document.get("fits")),
            miss=number(document.get("miss")),
            items=tuple(Miss.from_document(entry) for entry in document["items"]),
            sentence=str(document.get("sentence") or ""),
        )


@dataclass(frozen=True)
class Choice(Answer):
    """Which pickups suit a wish; iterates over them, the closest first.

    Attributes
    ----------
    reference : the pickup that the wish starts from
    wish : as the service read it
    ranking : every pickup that was looked at
    fits : keys of those that fulfil every wish
    advice : which way to go electrically where none fits, as far as the model carries it
    left_out : takes and pickups that were not looked at
    cautions : sentences to be read before the numbers
    document : the whole of it as the service sent it
    """

    reference: str
    wish: tuple[WishItem, ...]
    ranking: tuple[Candidate, ...]
    fits: tuple[str, ...]
    advice: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    document: Mapping[str, Any] = field(repr=False)

    def __iter__(self) -> Iterator[Candidate]:
        return iter(self.ranking)

    def __len__(self) -> int:
        return len(self.ranking)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Choice:
        """Read a choice.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a choice
        """
        return cls(
            reference=str(document["reference"]),
            wish=tuple(WishItem.from_document(entry) for entry in document["wish"]),
            ranking=tuple(Candidate.from_document(entry) for entry in document["ranking"]),
            fits=tuple(str(key) for key in document["fits"]),
            advice=tuple(str(one) for one in document.get("advice") or ()),
            left_out=tuple(LeftOut.from_document(entry) for entry in document.get("left_out") or ()),
            cautions=tuple(str(one) for one in document.get("cautions") or ()),
            document=document,
        )

    def named(self, names: Mapping[str, str]) -> Choice:
        """The same with names in place of ids of takes that were left out, for reading; `document` stays.

        Parameters
        ----------
        names : by id; what has none keeps its id
        """
        return replace(self, left_out=tuple(one.named(names) for one in self.left_out))

    def tables(self) -> dict[str, Table]:
        """Wish by wish for every pickup; the wish; advice, what was left out, and cautions, where there are any."""
        units = {one.quantity: one.unit for one in self.wish}
        rows = [
            {
                **asdict(item),
                "place": one.place,
                "pickup": one.pickup,
                "fits": one.fits,
                "unit": units.get(item.quantity),
            }
            for one in self.ranking
            for item in one.items
        ]
        wish_columns = [Column(name, name.replace("_", " ").capitalize()) for name in WishItem.__annotations__]
        found = {
            "pickups": table_of_rows(rows, MISS_COLUMNS),
            "in words": table_of_rows(
                [{"pickup": one.pickup, "sentence": one.sentence} for one in self.ranking if one.sentence],
                [
                    Column("pickup", "Key of the pickup"),
                    Column("sentence", "What it misses, and what it has as wished"),
                ],
            ),
            "wish": table_of_rows([vars(one) for one in self.wish], wish_columns),
            "advice": sentences(self.advice, "advice", "Which way to go"),
            "left out": table_of_left_out(self.left_out),
            "cautions": sentences(self.cautions, "caution", "To be read"),
        }
        return {name: table for name, table in found.items() if len(table) or name == "pickups"}

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The choice as text.

        Parameters
        ----------
        width : characters of a line
        """
        from coilbench.choice_page import page_of

        return page_of(self, width)


@dataclass(frozen=True)
class WordItem:
    """What a word means for one quantity: more, less or the same of it, and how much where that is said."""

    quantity: str
    direction: str
    amount: float | None

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> WordItem:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(str(document["quantity"]), str(document["direction"]), number(document.get("amount")))


@dataclass(frozen=True)
class Word:
    """A word that wishes may use.

    Attributes
    ----------
    word : such as bright
    items : what it means
    says : the same for people; may be empty
    built_in : whether the service knows it by itself
    changed : whether it means something else than what it came with
    document : the whole of it as the service sent it
    """

    word: str
    items: tuple[WordItem, ...]
    says: str
    built_in: bool
    changed: bool
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Word:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            word=str(document["word"]),
            items=tuple(WordItem.from_document(entry) for entry in document["items"]),
            says=str(document.get("says") or ""),
            built_in=bool(document.get("built_in")),
            changed=bool(document.get("changed")),
            document=document,
        )


def wish_of(asked: Mapping[str, Any] | Iterable[str] | str) -> dict[str, Any]:
    """A wish as the service reads it.

    Parameters
    ----------
    asked : values by word or quantity; or words as they are typed: `bright`, `hot=4`, `treble_db=+2`, `bass_db=same`

    Raises
    ------
    BadDescription : nothing, one thing twice, or a value that is neither a number nor more, less or same
    """
    if isinstance(asked, Mapping):
        wish = dict(asked)
    else:
        wish = {}
        for typed in [asked] if isinstance(asked, str) else asked:
            key, equals, value = (part.strip() for part in typed.partition("="))
            if not key or (equals and not value):
                raise BadDescription(f"{typed!r} is no wish; write bright, hot=4, treble_db=+2 or bass_db=same")
            if key in wish:
                raise BadDescription(f"{key} is wished for twice")
            wish[key] = _amount(key, value) if equals else True
    if not wish:
        raise BadDescription("say what is wished for, such as bright, hot=4, treble_db=+2 or bass_db=same")
    return wish


def _amount(key: str, value: str) -> float | str:
    if value in DIRECTIONS:
        return value
    try:
        return float(value)
    except ValueError:
        raise BadDescription(f"{key} must be a number, more, less or same; found {value!r}") from None
