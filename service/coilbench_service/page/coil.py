"""The page of the electrical model: a coil and what hangs on it set by sliders, its response drawn and said.

The script of the page asks this page again while a slider moves and shows what it answers, so that figures and words
have one definition. Without the script the fields are a plain form.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, request
from pydantic import ValidationError

from coilbench_service.bench import Bench
from coilbench_service.beside import modelled
from coilbench_service.charts.response import response_chart
from coilbench_service.coil_request import CoilRequest
from coilbench_service.page import coil_fields
from coilbench_service.page.coil_fields import COIL, EXAMPLE, FIELDS, LOAD, STEPS, USUAL, WIRE
from coilbench_service.page.layout import show
from coilbench_service.page.subjects import offered_with
from coilbench_service.problems import Problem, field_errors
from coilbench_service.writing import MINUS, NOTHING, hertz, signed
from coilbench_worker.store import pickups

CHART = "/v1/charts/response"
THE_COIL = "the coil"


@dataclass
class Setting:
    """What the fields say: numbers by name, what is wrong with others, and whether anything was typed at all."""

    typed: bool
    values: dict[str, float] = field(default_factory=dict)
    wire: dict[str, float] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)

    def request(self, pickup: str | None) -> CoilRequest:
        """The question for the model.

        Raises
        ------
        ValidationError : numbers that no coil has
        """
        parts: dict[str, Any] = {"coil": {}, "load": {}}
        for one in FIELDS:
            if one.name in self.values:
                parts[one.part][one.name] = self.values[one.name]
        return CoilRequest.model_validate(
            {
                "coil": parts["coil"],
                "load": parts["load"],
                **({"pickup": pickup} if pickup else {}),
                **({"wire": self.wire} if self.wire else {}),
            }
        )


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /coil."""

    @pages.get("/coil", endpoint="coil")
    def show_coil() -> Response:
        pickup = request.args.get("pickup", "").strip() or None
        with bench.database.read() as connection:
            sheets = {key: record.sheet for key, record in pickups.by_key(connection).items()}
        setting = setting_of(request.args, sheets.get(pickup or ""))
        found: dict[str, Any] | None = None
        problem: dict[str, Any] | None = None
        try:
            question = setting.request(pickup)
            found = None if setting.faults else modelled(bench, question.model_dump())
        except ValidationError as error:
            setting.faults |= _by_field((one.field, one.message) for one in field_errors(error))
        except Problem as error:
            problem = error.body()
            setting.faults |= _by_field((one.field, one.message) for one in error.errors)
        known = {*(one.name for one in FIELDS), *WIRE}
        drawn = setting.values | (found["coil"] if found is not None else {})  # its resistance may be the winding's
        asked = {**({"pickup": pickup} if pickup else {}), **{name: f"{value:.12g}" for name, value in drawn.items()}}
        return show(
            "coil.html",
            422 if found is None and setting.typed else 200,
            here="page.coil",
            pickup=pickup,
            pickups=offered_with(sheets, [pickup]),
            setting=setting,
            given=request.args,
            groups=(("The coil", COIL), ("What hangs on it", LOAD)),
            wire_fields=WIRE,
            steps=STEPS,
            problem=problem,
            others=[message for name, message in setting.faults.items() if name not in known],
            found=found,
            sentence=None if found is None else sentence(found),
            told=[] if found is None else told(found),
            chart=f"{CHART}?{urlencode(asked)}",
            alternative="" if found is None else response_chart({pickup or THE_COIL: found}).alternative,
        )


def setting_of(given: Mapping[str, str], sheet: Mapping[str, Any] | None) -> Setting:
    """What was typed; where nothing was, what the sheet says and else what is usual."""
    names = [one.name for one in FIELDS]
    if not any(name in given for name in (*names, *WIRE)):
        start = EXAMPLE if sheet is None else {}
        return Setting(
            False,
            {**start, **USUAL, **coil_fields.of_sheet(sheet or {})},
            {},
        )
    setting = Setting(True)
    for name in (*names, *WIRE):
        text = given.get(name, "").strip().replace(",", ".").replace(MINUS, "-")
        if not text:
            continue
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if isfinite(value):
            (setting.values if name in names else setting.wire)[name] = value
        else:
            setting.faults[name] = f"{text:.40} is not a number"
    needed = [name for name in WIRE if name != "temperature_c"]
    if setting.wire and any(name in setting.wire for name in needed):
        for name in needed:
            if name not in setting.wire and name not in setting.faults:
                setting.faults[name] = "is missing; a winding needs wire, turns and mean turn"
    else:
        setting.wire = {}
    if any(name in setting.faults for name in WIRE):
        setting.wire = {}
    return setting


def sentence(found: Mapping[str, Any]) -> str:
    """What the response does, in one or two sentences."""
    if found["dc_db"] is None:
        return "Nothing comes out."
    parts = []
    if found["peak_hz"] is not None:
        parts.append(f"Peak of {signed(found['peak_db'], 1)} dB at {hertz(found['peak_hz'])}")
    else:
        parts.append("No peak")
    if found["minus3db_hz"] is not None:
        parts.append(f"3 dB down at {hertz(found['minus3db_hz'])}")
    return f"{'; '.join(parts)}."


def told(found: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The figures, each with its name; in place of one that is not there, why."""
    q = "" if found["q"] is None else f", Q {found['q']:.2f}"
    texts: dict[str, tuple[str, Callable[[float], str]]] = {
        "natural_hz": ("Resonance", lambda hz: f"{hertz(hz)}{q}"),
        "peak_hz": ("Peak", lambda hz: f"{signed(found['peak_db'], 1)} dB at {hertz(hz)}"),
        "minus3db_hz": ("3 dB below the level at 0 Hz", hertz),
        "dc_db": ("Level at 0 Hz", lambda db: f"{signed(db, 1)} dB"),
    }
    return [
        (name, found["reasons"].get(key, NOTHING) if found[key] is None else text(found[key]))
        for key, (name, text) in texts.items()
    ]


def _by_field(faults: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Faults by the last part of their field's name, which is that of the field on the page."""
    return {name.rpartition(".")[2]: message for name, message in faults}
