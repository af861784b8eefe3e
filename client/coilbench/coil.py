"""What the electrical model says of a coil with its load, of two coils, a winding, or a pickup by its sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, TypeVar

from coilbench.answer import USUAL_WIDTH, Answer, number, sentences, table_of_rows, text
from coilbench.page import Page
from coilbench.table import Column, Table

RESPONSE_COLUMNS = (
    Column("hz", "Frequency", "Hz"),
    Column("db", "Response re the voltage induced in one coil", "dB"),
)
NUMBERS = ("natural_hz", "damping", "q", "dc_db", "peak_hz", "peak_db", "minus3db_hz")
Entry = TypeVar("Entry")


@dataclass(frozen=True)
class ResponsePoint:
    """The response at one frequency, dB re the voltage induced in one coil; None where nothing comes out."""

    hz: float
    db: float | None


@dataclass(frozen=True)
class Coil:
    """The coil that the model took."""

    inductance_h: float
    resistance_ohm: float
    capacitance_pf: float


@dataclass(frozen=True)
class Winding:
    """Wire wound: bare diameter, length, resistance at its temperature and at 20 C; `low_ohm` and `high_ohm` are what
    the tolerance of the wire alone leaves, None where no published one is known for it.
    """

    diameter_mm: float
    length_m: float
    resistance_ohm: float
    resistance_20c_ohm: float
    low_ohm: float | None
    high_ohm: float | None
    tolerance: str | None
    turns: float
    mean_turn_mm: float
    temperature_c: float


@dataclass(frozen=True)
class Bobbin:
    """What the turns make on a bobbin, mm; `space_factor` is the share of bare copper, `fit_turns` what it holds."""

    last_turn_mm: float
    depth_mm: float
    layers: int
    turns_per_layer: float
    overall_mm: float
    space_factor: float
    fit_turns: int
    fits: bool


@dataclass(frozen=True)
class Combination:
    """Two coils together: levels at 0 Hz of strings and of hum re one coil, None where they cancel."""

    name: str
    dcr_ohm: float
    string_db: float | None
    hum_db: float | None
    sentence: str


@dataclass(frozen=True)
class OtherTurns:
    """What other turns would do: the coil then, change of the voltage induced, of the output by frequency."""

    times: float
    inductance_h: float
    resistance_ohm: float
    capacitance_pf: float
    source_db: float
    peak_hz: float | None
    minus3db_hz: float | None
    change: tuple[ResponsePoint, ...]
    sentence: str


@dataclass(frozen=True)
class Tilt:
    """Treble over middle of one pickup, dB: by the model, as measured with its interval, and what the model leaves."""

    pickup: str
    model_db: float | None
    measured_db: float | None
    low: float | None
    high: float | None
    rest_db: float | None
    takes: int
    strums: int
    assumes: str | None
    withheld: str | None


@dataclass(frozen=True)
class TiltDifference:
    """The other pickup less the first, dB; `model_in_interval` says whether the measured interval holds the model's."""

    model_db: float | None
    measured_db: float | None
    low: float | None
    high: float | None
    rest_db: float | None
    model_in_interval: bool | None
    assumes: str | None
    withheld: str | None


@dataclass(frozen=True)
class Beside:
    """Measurement beside the model: each pickup, how two differ, and what that may mean, in sentences."""

    sides: tuple[Tilt, ...]
    difference: TiltDifference | None
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class CoilModel(Answer):
    """A loaded coil, two, a winding, a pickup; what was not asked for, or is not there, is None.

    Attributes
    ----------
    natural_hz, damping, q : of the second-order circuit; with more in it, of the pair of poles that rings longest
    dc_db, peak_db : levels at 0 Hz and at the peak, re the voltage induced in one coil
    peak_hz, minus3db_hz : frequency of the peak, and the first that lies 3.01 dB below the level at 0 Hz
    response : 20 Hz to 20 kHz
    reasons : by name, why a number is None
    coil, combination, wire, bobbin, other_turns, beside : what was asked for
    assumes, limits : what was taken because nobody said it, and what the model leaves out
    document : the whole of it as the service sent it
    """

    natural_hz: float | None
    damping: float | None
    q: float | None
    dc_db: float | None
    peak_hz: float | None
    peak_db: float | None
    minus3db_hz: float | None
    response: tuple[ResponsePoint, ...]
    reasons: Mapping[str, str]
    coil: Coil | None
    combination: Combination | None
    wire: Winding | None
    bobbin: Bobbin | None
    other_turns: OtherTurns | None
    beside: Beside | None
    assumes: tuple[str, ...]
    limits: tuple[str, ...]
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> CoilModel:
        """Read an answer; KeyError, TypeError or ValueError when it is none."""
        turns, beside = document.get("other_turns"), document.get("beside")
        return cls(
            **{name: number(document.get(name)) for name in NUMBERS},
            response=_points(document.get("response") or ()),
            reasons={str(name): str(why) for name, why in (document.get("reasons") or {}).items()},
            coil=_entry(Coil, document.get("coil")),
            combination=_entry(Combination, document.get("combination")),
            wire=_entry(Winding, document.get("wire")),
            bobbin=_entry(Bobbin, document.get("bobbin")),
            other_turns=None if turns is None else _entry(OtherTurns, {**turns, "change": _points(turns["change"])}),
            beside=None if beside is None else _beside(beside),
            assumes=tuple(str(one) for one in document.get("assumes") or ()),
            limits=tuple(str(one) for one in document["limits"]),
            document=document,
        )

    def tables(self) -> dict[str, Table]:
        """The response curve first, where there is one; then all numbers by name."""
        values = _flat(self.document)
        numbers = [{"name": name, "value": value} for name, value in values.items()]
        tables = {"numbers": table_of_rows(numbers, [Column("name", "Name"), Column("value", "Value")])}
        if self.response:
            curve = table_of_rows([asdict(point) for point in self.response], RESPONSE_COLUMNS)
            tables = {"response": curve, **tables}
        return tables | {"limits": sentences((*self.assumes, *self.limits), "limit", "What the model leaves out")}

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The answer as text: the numbers, a curve in plain characters, the limits.

        Parameters
        ----------
        width : characters of a line
        """
        from coilbench.coil_page import page_of

        return page_of(self, width)


def _flat(document: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """Numbers and words of an answer by dotted name; lists and reasons are left out."""
    found: dict[str, Any] = {}
    for name, value in document.items():
        if isinstance(value, Mapping) and name != "reasons":
            found |= _flat(value, f"{before}{name}.")
        elif isinstance(value, str | int | float):
            found[f"{before}{name}"] = value
    return found


def _entry(kind: type[Entry], document: Mapping[str, Any] | None) -> Entry | None:
    """An entry of a kind; names that it does not know are passed over."""
    if document is None:
        return None
    names = kind.__dataclass_fields__  # type: ignore[attr-defined] # all of them are dataclasses
    return kind(**{name: document[name] for name in names})


def _points(entries: Sequence[Mapping[str, Any]]) -> tuple[ResponsePoint, ...]:
    return tuple(ResponsePoint(float(one["hz"]), number(one["db"])) for one in entries)


def _beside(document: Mapping[str, Any]) -> Beside:
    sides = (_entry(Tilt, one) for one in document["sides"])
    return Beside(
        sides=tuple(side for side in sides if side is not None),
        difference=_entry(TiltDifference, document["difference"]),
        sentences=tuple(said for one in document["sentences"] if (said := text(one)) is not None),
    )
