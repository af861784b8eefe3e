"""Studies of the tester's own hand, in the terms of ISO 5725: scatter between strums and between takes, and a plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text, whole
from coilbench.comparison import Subject
from coilbench.left_out import LeftOut, table_of_left_out
from coilbench.page import Page
from coilbench.result import ComparedQuantity
from coilbench.table import Column, Table

KINDS = {
    "repeatability": "between strums of a take",
    "between_takes": "between takes, without what strums add",
    "reproducibility": "of a strum of another take",
}
"""The three standard deviations of ISO 5725: s_r, s_L, s_R."""

STUDY_COLUMNS = (
    Column("quantity", "Key of the quantity"),
    Column("unit", "Unit of standard deviations and limits"),
    *(
        Column(f"{kind}_{part}", f"{title} {meaning}")
        for kind, meaning in KINDS.items()
        for part, title in (
            ("sd", "Standard deviation"),
            ("low", "Lower end of the interval of the standard deviation"),
            ("high", "Upper end of the interval of the standard deviation"),
            ("degrees_of_freedom", "Degrees of freedom of the standard deviation"),
        )
    ),
    Column("repeatability_limit", "Two strums of a take differ by less, 95 in 100"),
    Column("reproducibility_limit", "Two strums of different takes differ by less, 95 in 100"),
    Column("withheld", "Why something is not said"),
    Column("sentence", "In words"),
)


@dataclass(frozen=True)
class Scatter:
    """A standard deviation with its interval and degrees of freedom."""

    sd: float | None
    low: float | None
    high: float | None
    degrees_of_freedom: float | None

    @classmethod
    def from_document(cls, document: Mapping[str, Any] | None) -> Scatter | None:
        """Read an entry; None where there is none."""
        if document is None:
            return None
        return cls(**{name: number(document.get(name)) for name in ("sd", "low", "high", "degrees_of_freedom")})


@dataclass(frozen=True)
class Plan:
    """How many takes of so many strums each, of each pickup, would show a difference four times in five; takes is None
    where no reasonable number would.
    """

    difference: float
    strums: int
    takes: int | None


@dataclass(frozen=True)
class StudiedQuantity:
    """One quantity of a study.

    Attributes
    ----------
    quantity, unit : key; unit of standard deviations and limits
    repeatability, between_takes, reproducibility : s_r, s_L and s_R; None where it can't be said, `withheld` why
    repeatability_limit, reproducibility_limit : r and R: two strums of a take, of two takes, differ by less, 95 in 100
    withheld : why something is not said, or None
    plan : what would show a difference of the size wanted
    sentence : in words
    """

    quantity: str
    unit: str
    repeatability: Scatter | None
    between_takes: Scatter | None
    reproducibility: Scatter | None
    repeatability_limit: float | None
    reproducibility_limit: float | None
    withheld: str | None
    plan: tuple[Plan, ...]
    sentence: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> StudiedQuantity:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        return cls(
            quantity=str(document["quantity"]),
            unit=str(document.get("unit") or ""),
            repeatability=Scatter.from_document(document["repeatability"]),
            between_takes=Scatter.from_document(document["between_takes"]),
            reproducibility=Scatter.from_document(document["reproducibility"]),
            repeatability_limit=number(document.get("repeatability_limit")),
            reproducibility_limit=number(document.get("reproducibility_limit")),
            withheld=text(document.get("withheld")),
            plan=tuple(
                Plan(float(one["difference"]), int(one["strums"]), whole(one.get("takes")))
                for one in document.get("plan") or ()
            ),
            sentence=str(document.get("sentence") or ""),
        )

    def row(self) -> dict[str, Any]:
        """The quantity as a row of a table."""
        row: dict[str, Any] = {column.key: getattr(self, column.key, None) for column in STUDY_COLUMNS}
        for kind in KINDS:
            scatter: Scatter | None = getattr(self, kind)
            row |= {f"{kind}_{name}": value for name, value in (asdict(scatter) if scatter else {}).items()}
        return row


@dataclass(frozen=True)
class Study(Answer):
    """How much the tester's hand scatters; iterates over the quantities.

    Attributes
    ----------
    quantities, subjects : what was studied
    results : a row for each quantity
    left_out : takes that do not take part
    cautions : sentences to be read before the numbers
    method : one sentence on the statistics
    document : the whole of it as the service sent it
    """

    quantities: tuple[ComparedQuantity, ...]
    subjects: tuple[Subject, ...]
    results: tuple[StudiedQuantity, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    method: str
    document: Mapping[str, Any] = field(repr=False)

    def __iter__(self) -> Iterator[StudiedQuantity]:
        return iter(self.results)

    def __len__(self) -> int:
        return len(self.results)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Study:
        """Read a study.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a study
        """
        return cls(
            quantities=tuple(ComparedQuantity.from_document(entry) for entry in document["quantities"]),
            subjects=tuple(Subject.from_document(entry) for entry in document["subjects"]),
            results=tuple(StudiedQuantity.from_document(entry) for entry in document["results"]),
            left_out=tuple(LeftOut.from_document(entry) for entry in document.get("left_out") or ()),
            cautions=tuple(str(one) for one in document.get("cautions") or ()),
            method=str(document.get("method") or ""),
            document=document,
        )

    def named(self, names: Mapping[str, str]) -> Study:
        """The same with names in place of ids of takes, for reading; `document` stays.

        Parameters
        ----------
        names : by id; what has none keeps its id
        """
        return replace(
            self,
            subjects=tuple(replace(one, id=names.get(one.id, one.id)) for one in self.subjects),
            left_out=tuple(one.named(names) for one in self.left_out),
        )

    def tables(self) -> dict[str, Table]:
        """The quantities; the plan, what was left out, and cautions, where there are any."""
        plan = [{"quantity": one.quantity, "unit": one.unit, **vars(each)} for one in self.results for each in one.plan]
        plan_columns = [
            Column("quantity", "Key of the quantity"),
            Column("unit", "Unit of the difference"),
            Column("difference", "True difference to be shown four times in five"),
            Column("strums", "Strums in each take"),
            Column("takes", "Takes of each pickup"),
        ]
        found = {
            "scatter": table_of_rows([one.row() for one in self.results], STUDY_COLUMNS),
            "plan": table_of_rows(plan, plan_columns),
            "left out": table_of_left_out(self.left_out),
            "cautions": sentences([*self.cautions, *([self.method] if self.method else [])], "caution", "To be read"),
        }
        return {name: table for name, table in found.items() if len(table) or name == "scatter"}

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The study as text.

        Parameters
        ----------
        width : characters of a line
        """
        from coilbench.study_page import page_of

        return page_of(self, width)
