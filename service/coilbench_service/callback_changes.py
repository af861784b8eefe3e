"""Call-backs are made, changed, stopped, tried and deleted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.about import Key
from coilbench_service.bench import Bench
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.callbacks.address import MOST_CHARACTERS, AddressRefused, NotResolved, parse, resolve
from coilbench_worker.callbacks.reach import Reach
from coilbench_worker.callbacks.signature import new_secret
from coilbench_worker.store import callbacks, deliveries
from coilbench_worker.store.callbacks import CallbackRecord
from coilbench_worker.store.deliveries import DeliveryRecord
from coilbench_worker.store.states import FINAL_STATES

MOST_CALLBACKS = 50
TRIALS_APART_S = 10
STOPPED_BY_HAND = "It was stopped by hand."

ADDRESS: dict[str, Any] = {
    "format": "uri",
    "pattern": "^https?://[!-~]+$",
    "minLength": 9,
    "maxLength": MOST_CHARACTERS,
    "examples": ["https://hooks.studio.example/takes"],
}
"""For those who read the document; `parse` looks closer, and says what is wrong in its own words."""

State = Literal["measured", "rejected", "failed"]


class NewCallback(BaseModel):
    """A call-back to be."""

    model_config = ConfigDict(extra="forbid", strict=True)

    url: str = Field(
        description="Where to POST to: https, of the public internet unless the operator allows others",
        json_schema_extra=ADDRESS,
    )
    states: list[State] = Field(
        list(FINAL_STATES), min_length=1, max_length=3, description="Ends of takes to hear of; all by default"
    )
    session: Key | None = Field(None, description="Hear of takes of this session only")

    @field_validator("states")
    @classmethod
    def _once_each(cls, states: list[State]) -> list[State]:
        return list(dict.fromkeys(states))


class CallbackChange(BaseModel):
    """A change of a call-back; what is left out stays."""

    model_config = ConfigDict(extra="forbid", strict=True)

    url: str = Field(
        default_factory=str,
        description="Where to POST to from now on, what waits included",
        json_schema_extra=ADDRESS,
    )
    states: list[State] = Field(
        default_factory=list, min_length=1, max_length=3, description="Ends of takes to hear of"
    )
    session: Key | None = Field(None, description="Hear of takes of this session only; null: of all")
    stopped: bool = Field(False, description="true sends nothing more; false starts again one that was stopped")
    new_secret: bool = Field(False, description="true makes a new secret, which the answer shows; the old one is void")

    @field_validator("states")
    @classmethod
    def _once_each(cls, states: list[State]) -> list[State]:
        return list(dict.fromkeys(states))


def add(bench: Bench, asked: NewCallback) -> CallbackRecord:
    """Make a call-back.

    Raises
    ------
    Problem : callback-address-refused, too-many-callbacks
    """
    _require_within_reach(bench, asked.url)
    with bench.database.write() as connection:
        callbacks.hold(connection)
        if callbacks.count(connection) >= MOST_CALLBACKS:
            raise Problem(kinds.TOO_MANY_CALLBACKS, f"There are {MOST_CALLBACKS} call-backs already.")
        return callbacks.add(connection, asked.url, new_secret(), asked.states, asked.session)


def change(
    bench: Bench, callback_id: str, asked: CallbackChange, require: Callable[[CallbackRecord], None]
) -> tuple[CallbackRecord, str | None]:
    """Change a call-back; also returns its secret when that is new.

    Parameters
    ----------
    require : is shown the call-back as it is, locked, and raises where it must not be changed in this state

    Raises
    ------
    Problem : callback-unknown, callback-address-refused
    """
    given = asked.model_dump(exclude_unset=True)
    if "url" in given:
        _require_within_reach(bench, asked.url)
    secret = new_secret() if asked.new_secret else None
    with bench.database.write() as connection:
        before = existing(connection, callback_id, lock=True)
        require(before)
        values: dict[str, Any] = {name: given[name] for name in ("url", "states", "session") if name in given}
        callbacks.change(connection, callback_id, secret=secret, **values)
        if given.get("stopped") is True:
            callbacks.stop(connection, callback_id, STOPPED_BY_HAND)
        elif given.get("stopped") is False and before.stopped is not None:
            callbacks.start(connection, callback_id)
        return existing(connection, callback_id), secret


def remove(bench: Bench, callback_id: str, require: Callable[[CallbackRecord], None]) -> None:
    """Delete a call-back with all that was, or was to be, sent to it.

    Parameters
    ----------
    require : as in `change`

    Raises
    ------
    Problem : callback-unknown
    """
    with bench.database.write() as connection:
        require(existing(connection, callback_id, lock=True))
        callbacks.remove(connection, callback_id)


def test(bench: Bench, callback_id: str) -> DeliveryRecord:
    """Have a trial message sent, as those of takes are.

    Raises
    ------
    Problem : callback-unknown, callback-tested-lately; invalid-request, when the call-back is stopped
    """
    with bench.database.write() as connection:
        if existing(connection, callback_id, lock=True).stopped is not None:
            raise Problem(kinds.INVALID_REQUEST, "The call-back is stopped; start it again with PATCH to try it.")
        trial = deliveries.enter_trial(connection, callback_id, apart_s=TRIALS_APART_S)
    if trial is None:
        raise Problem(
            kinds.CALLBACK_TESTED_LATELY,
            f"The last trial is less than {TRIALS_APART_S} s old.",
            headers={"Retry-After": str(TRIALS_APART_S)},
        )
    return trial


def existing(connection: Connection, callback_id: str, *, lock: bool = False) -> CallbackRecord:
    """The call-back of that id.

    Raises
    ------
    Problem : callback-unknown
    """
    found = callbacks.get(connection, callback_id, lock=lock)
    if found is None:
        raise callback_unknown(callback_id)
    return found


def callback_unknown(callback_id: str) -> Problem:
    """The problem for an id that no call-back has."""
    return Problem(kinds.CALLBACK_UNKNOWN, f"There is no call-back {callback_id!r:.100}.")


def _require_within_reach(bench: Bench, url: str) -> None:
    """Look at the address now, so that whoever makes it learns; it is looked at again at each sending."""
    try:
        resolve(parse(url), Reach.of(bench.configuration.callbacks_allowed))
    except (AddressRefused, NotResolved) as error:
        raise Problem(kinds.CALLBACK_ADDRESS_REFUSED, str(error), errors=[FieldError("url", str(error))]) from error
