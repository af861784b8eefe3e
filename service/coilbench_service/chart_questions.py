"""What the pictures about several pickups may be asked, in the query of an address: the names and bounds of the
questions that they draw, with lists by repeating a name.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, ValidationError, field_validator, model_validator

from coilbench_service.about import Key
from coilbench_service.chart_answer import ChartForm
from coilbench_service.coil_request import CoilAsked, CoilRequest, LoadAsked
from coilbench_service.comparing import HEADLINE
from coilbench_service.grouping import FIELDS, FITTED
from coilbench_service.problems import field_errors
from coilbench_service.question import (
    MOST_SUBJECTS,
    Confidence,
    QuantityKey,
    SubjectKey,
    each_once,
)
from coilbench_service.routes.groupings import FieldName
from coilbench_service.selection import split_list

Subjects = Annotated[list[SubjectKey], Field(max_length=MOST_SUBJECTS), AfterValidator(each_once)]
Quantities = Annotated[list[QuantityKey], AfterValidator(each_once)]
REPEAT = "repeat for several"
COMMAS = "repeat or separate by commas"
LOAD_OHM = "load_ohm"
"""In place of `load.resistance_ohm`, whose plain name is that of the coil."""


class _Asked(ChartForm):
    """What all of them share."""

    session: SubjectKey | None = Field(None, description="Only takes of this session")
    confidence: Confidence = 0.95


class _OfQuantities(_Asked):
    quantity: Quantities = Field([], description="Keys, or columns of parts")

    @field_validator("quantity", mode="before")
    @classmethod
    def _split(cls, values: object) -> object:
        return split_list(values)


class BandsAsked(_Asked):
    """Bands side by side."""

    pickup: Subjects = Field([], description=f"Keys of pickups, or ids of takes; {REPEAT}; left out: all measured")


class IntervalsAsked(_OfQuantities):
    """A comparison."""

    baseline: SubjectKey = Field(description="Key of a pickup, or id of a take")
    other: Subjects = Field([], description=f"The same; {REPEAT}; left out: every other pickup measured")
    quantity: Quantities = Field(
        [], description=f"Keys, or columns of parts; {COMMAS}; left out: {', '.join(HEADLINE)}"
    )

    @model_validator(mode="after")
    def _each_once(self) -> IntervalsAsked:
        each_once([self.baseline, *self.other])
        return self


class SpecificationAsked(_OfQuantities):
    """Data sheets against measurements."""

    among: Subjects = Field([], description=f"Keys of pickups; {REPEAT}; left out: all measured")
    field: Annotated[list[FieldName], Field(max_length=20), AfterValidator(each_once)] = Field(
        list(FIELDS), description=f"Numbers of the sheets; {REPEAT}"
    )
    quantity: Quantities = Field(list(FITTED), description=f"Keys, or columns of parts; {COMMAS}")


class ResponseAsked(_Asked):
    """A coil with its load, or a pickup by its sheet."""

    pickup: Key | None = Field(None, description="Its sheet gives what is left out; its octaves stand beside the model")
    beside: Key | None = Field(None, description="Another pickup, by its sheet")
    inductance_h: float | None = Field(None, description="Of the coil, H")
    resistance_ohm: float | None = Field(None, description="Of the coil, ohm")
    capacitance_pf: float | None = Field(None, description="Of the coil itself, pF")
    volume_pot_ohm: float | None = Field(None, description="Volume pot, ohm")
    volume_position: float | None = Field(None, description="How far it is up, 0 to 1")
    tone_pot_ohm: float | None = Field(None, description="Tone pot, ohm")
    tone_position: float | None = Field(None, description="How far it is up, 0 to 1")
    tone_capacitor_nf: float | None = Field(None, description="Tone capacitor, nF")
    input_ohm: float | None = Field(None, description="Input, ohm")
    input_pf: float | None = Field(None, description="Its capacitance, pF")
    cable_pf: float | None = Field(None, description="Cable, pF")
    load_ohm: float | None = Field(None, description="Any other resistor at the output, ohm")

    @model_validator(mode="after")
    def _whole(self) -> ResponseAsked:
        try:
            self.request()
        except ValidationError as error:
            raise ValueError("; ".join(f"{_plain(one.field)}: {one.message}" for one in field_errors(error))) from error
        return self

    def request(self) -> CoilRequest:
        """The question that is drawn.

        Raises
        ------
        ValidationError : what the question itself would refuse
        """
        coil = {name: value for name in CoilAsked.model_fields if (value := getattr(self, name)) is not None}
        load = {
            name: value
            for name in LoadAsked.model_fields
            if (value := getattr(self, LOAD_OHM if name == "resistance_ohm" else name)) is not None
        }
        others = {"pickup": self.pickup, "beside": self.beside, "session": self.session}
        parts = {"coil": coil, "load": load, **others}
        given = {name: value for name, value in parts.items() if value}
        return CoilRequest.model_validate({**given, "confidence": self.confidence})


def _plain(field: str) -> str:
    """A field of the question as the address names it."""
    return LOAD_OHM if field == "load.resistance_ohm" else field.rpartition(".")[2]
