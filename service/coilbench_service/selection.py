"""Which takes are asked for: the filters that the list of takes and the table share, and the pages of a list."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator

from coilbench_worker.store.states import TAKE_STATES
from coilbench_worker.store.takes import TakeFilter

MAX_LIMIT = 500
ID_PATTERN = r"^[0-9A-Za-z-]{1,64}$"


class TakeSelection(BaseModel):
    """Filters; those left out hold for all takes."""

    model_config = ConfigDict(extra="forbid")

    state: list[str] = Field([], description=f"One or more of {', '.join(TAKE_STATES)}; repeat or separate by commas")
    session: str | None = Field(None, description="Takes recorded under this plan")
    pickup: str | None = Field(None, description="Takes of the pickup with this key")
    chain: str | None = Field(None, description="Takes that name this chain, or name none while their session names it")
    sha256: str | None = Field(None, description="Takes of this very recording", pattern=r"^[0-9a-fA-F]{64}$")
    since: datetime | None = Field(None, description="Takes created then or later: RFC 3339, or a date (from 0:00 UTC)")
    id: list[Annotated[str, StringConstraints(pattern=ID_PATTERN)]] = Field(
        [], description="Takes by id; repeat or separate by commas", max_length=MAX_LIMIT
    )

    @field_validator("state", "id", mode="before")
    @classmethod
    def _split(cls, values: Any) -> Any:
        return split_list(values)

    @field_validator("state")
    @classmethod
    def _known_states(cls, states: list[str]) -> list[str]:
        unknown = [state for state in states if state not in TAKE_STATES]
        if unknown:
            raise ValueError(f"{unknown[0]!r} is not a state; there are {', '.join(TAKE_STATES)}")
        return states

    @field_validator("since", mode="before")
    @classmethod
    def _moment(cls, text: Any) -> Any:
        if not isinstance(text, str):
            return text
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            try:
                return datetime.combine(date.fromisoformat(text), time(), UTC)
            except ValueError as error:
                raise ValueError(f"{text!r} is no day of the calendar") from error
        if not re.match(r"\d{4}-\d\d-\d\d[Tt ]", text):
            raise ValueError("must be RFC 3339, such as 2026-03-01T09:30:00Z")
        # An offset's + that was not written as %2B arrives as a space.
        return re.sub(r" (\d\d:\d\d)$", r"+\1", text)

    @field_validator("since")
    @classmethod
    def _with_zone(cls, moment: datetime | None) -> datetime | None:
        if moment is not None and moment.tzinfo is None:
            raise ValueError("needs a time zone, such as Z for UTC")
        try:
            return moment and moment.astimezone(UTC)
        except OverflowError as error:
            raise ValueError("lies outside the years 1 to 9999 in UTC") from error

    def filter(self) -> TakeFilter:
        """The same for the store."""
        return TakeFilter(
            state=tuple(self.state),
            session=self.session,
            pickup=self.pickup,
            chain=self.chain,
            sha256=self.sha256.lower() if self.sha256 else None,
            since=self.since,
            id=tuple(self.id),
        )


class TakeQuery(TakeSelection):
    """Filters and a page."""

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="Takes on a page")
    cursor: str | None = Field(None, description="`next` of the page before", pattern=ID_PATTERN)


def split_list(values: Any) -> Any:
    """A list in which each value may itself be a list separated by commas; empty ones fall out.

    Raises
    ------
    ValueError : nothing is left of what was given; taken for left out, it would ask for everything
    """
    if not isinstance(values, list):
        return values
    parts = [part.strip() for value in values for part in str(value).split(",") if part.strip()]
    if values and not parts:
        raise ValueError("is given and names nothing; leave it out to ask for all")
    return parts
