"""The page of one take: its waveform, strums, figures, checks and description; what is done with it goes to the API."""

from __future__ import annotations

import re
from typing import Any

from flask import Blueprint, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection

from coilbench_service.bench import Bench
from coilbench_service.final_take import take_not_found
from coilbench_service.page import description, figures
from coilbench_service.page.layout import show
from coilbench_service.page.question import asked
from coilbench_service.page.takes import rows_of
from coilbench_service.selection import ID_PATTERN
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.measure.version import MEASURE_VERSION
from coilbench_worker.store import takes
from coilbench_worker.store.states import FINAL_STATES

STRUMS_ON_A_PAGE = 50
MATCHED_LUFS = -23
WINDOWS = {
    "level_window_s": "Level, from and to",
    "attack_window_s": "Attack, from and to",
    "body_window_s": "Body, from and to",
    "tail_window_s": "Tail, from and to",
}


class TakePageQuery(BaseModel):
    """Which strums of a long take."""

    model_config = ConfigDict(extra="forbid")

    strum: int = Field(1, ge=1, le=1_000_000, description="First strum shown")


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /takes/{id}."""

    @pages.get("/takes/<take_id>", endpoint="take")
    def show_take(take_id: str) -> Response:
        query = asked(TakePageQuery)
        with bench.database.read() as connection:
            row = row_of(connection, take_id)
        take, measurement = row["take"], row["measurement"]
        strums = measurement["strums"] if measurement else []
        first = min(query.strum, max(len(strums), 1))
        last = first + STRUMS_ON_A_PAGE - 1
        return show(
            "take.html",
            here="page.takes",
            take=take,
            measurement=measurement,
            final=take["state"] in FINAL_STATES,
            strums=strums[first - 1 : last],
            earlier=max(first - STRUMS_ON_A_PAGE, 1) if first > 1 else None,
            later=last + 1 if last < len(strums) else None,
            groups=figures.of_strums([measurement]) if measurement else [],
            of_take=figures.of_take(),
            bands=figures.bands(),
            reasons=figures.reasons(measurement) if measurement else [],
            kinds={kind.code: kind for kind in CHECKS},
            fields=description.filled(take),
            own_words=description.own_words(take),
            matched_lufs=MATCHED_LUFS,
            windows=WINDOWS,
            measure_version=MEASURE_VERSION,
        )


def row_of(connection: Connection, take_id: str) -> dict[str, Any]:
    """One take and its measurement, as `rows_of`.

    Raises
    ------
    Problem : take-not-found
    """
    found = takes.get(connection, take_id) if re.fullmatch(ID_PATTERN, take_id) else None
    if found is None:
        raise take_not_found(take_id)
    return rows_of(connection, [found])[0]
