"""Chains are made, changed and deleted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from flask import Request
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator
from sqlalchemy import Connection

from coilbench_service import idempotency
from coilbench_service import problem_kinds as kinds
from coilbench_service.about import Key, Text
from coilbench_service.bench import Bench
from coilbench_service.chain_view import chain_view
from coilbench_service.idempotency import Made, once
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.store import chains
from coilbench_worker.store.chains import ChainRecord

MOST_DB = 60.0
"""An uncertainty beyond a factor of a thousand says nothing."""
MOST_CHARACTERS = 100
"""Of a key, as `chain` of a take's description has it."""
PROBLEMS = (kinds.KEY_IN_FLIGHT, kinds.KEY_REUSED, kinds.NOT_JSON, kinds.BROKEN_JSON)

Notes = Annotated[str, StringConstraints(max_length=10_000)]


class ChainChange(BaseModel):
    """What is said of a chain; in a PATCH, what is left out stays and null removes."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: Text | None = Field(None, description="For people")
    notes: Notes | None = Field(None, description="Anything, for people")
    gain_step_uncertainty_db: float | None = Field(
        None,
        ge=0,
        le=MOST_DB,
        description="How far a difference of two gain settings can be trusted, dB, expanded (k = 2). Given, a "
        "calibration holds at other gains too, moved by the difference and as much less certain",
    )
    cable: Text | None = Field(None, description="The cable that belongs to it; its takes inherit it")
    input_gain_db: float | None = Field(
        None, ge=-200, le=200, description="Gain of an input whose gain is never changed, dB; its takes inherit it"
    )


class NewChain(ChainChange):
    """A chain to be."""

    key: Key = Field(description="Short unique text without /, as `chain` of a take's description names it")

    @field_validator("key")
    @classmethod
    def _fits_an_address(cls, key: str) -> str:
        if "/" in key or key in (".", "..") or key != key.strip() or not key.isprintable():
            raise ValueError("must fit an address: printable, no /, no space at either end, not . or ..")
        return key


def add(bench: Bench, call: Request, chain: NewChain, key: str | None) -> tuple[int, dict[str, Any]]:
    """Make a chain.

    Raises
    ------
    Problem : chain-exists, the problems of an Idempotency-Key
    """
    key = idempotency.checked_key(key)
    asked = chain.model_dump()

    def act(connection: Connection) -> Made:
        made = chains.add(connection, **asked)
        if made is None:
            detail = f"There is a chain {chain.key!r} already."
            raise Problem(kinds.CHAIN_EXISTS, detail, errors=[FieldError("key", "belongs to another chain")])
        return Made(chain_view(made), {"chain_id": made.id})

    with bench.keys.hold(key):
        return once(bench.database, key, idempotency.fingerprint(call, asked), act)


def change(
    bench: Bench, key: str, changes: ChainChange, require: Callable[[ChainRecord], None] = lambda _: None
) -> ChainRecord:
    """Change what is said of a chain; takes under it show other figures at once when its gain steps change.

    Parameters
    ----------
    require : is shown the chain as it is, locked, and raises where it must not be changed in this state

    Raises
    ------
    Problem : chain-unknown
    """
    with bench.database.write() as connection:
        chain = chains.lock(connection, key)
        if chain is None:
            raise chain_unknown(key)
        require(chain)
        return chains.change(connection, key, changes.model_dump(exclude_unset=True)) or chain


def remove(bench: Bench, key: str, require: Callable[[ChainRecord], None] = lambda _: None) -> None:
    """Delete a chain with its calibrations and tones; its takes stay, without millivolts.

    Parameters
    ----------
    require : as in `change`

    Raises
    ------
    Problem : chain-unknown
    """
    if not chains.remove(bench.database, bench.blobs, key, require):
        raise chain_unknown(key)


def existing(bench: Bench, key: str) -> ChainRecord:
    """The chain.

    Raises
    ------
    Problem : chain-unknown
    """
    with bench.database.read() as connection:
        chain = chains.get(connection, key)
    if chain is None:
        raise chain_unknown(key)
    return chain


def chain_unknown(key: str) -> Problem:
    """The problem for a key that no chain has."""
    return Problem(kinds.CHAIN_UNKNOWN, f"There is no chain {key!r:.200}.")
