"""Every way in which a take and a job change state, as a table; the drawing is in `jobs/__init__.py`.

The acts are written out in the modules of their names, each as an UPDATE that is guarded by what the table says. A test
plays them against each other by the thousand and holds what was seen against the table, both ways: nothing else may
happen, and each row must be able to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from coilbench_worker.store.states import (
    FAILED,
    JOB_STATES,
    MEASURED,
    MEASURING,
    REJECTED,
    SUPERSEDED,
    TAKE_STATES,
    WAITING,
)

GONE: Final = None
"""Not there: not yet, or no more."""


@dataclass(frozen=True)
class Transition:
    """One act may lead from one state to another, where the guard holds; None is not there, before or after."""

    act: str
    before: str | None
    after: str | None
    guard: str


_CLAIMED = "the job is measuring at the attempt of the claim"
_RUN_OUT = "the lease ran out, or lies further ahead than one can"
_FOR_JOB = "attempts are left"
_NEW_SETTINGS = "the settings are others, or the take is at its end"
_KEPT = "a measurement with these settings, of this version and with traces, is there"

OF_JOBS: Final = (
    Transition("accept", GONE, WAITING, "its recording is in place"),
    Transition("claim", WAITING, MEASURING, _FOR_JOB),
    Transition("claim", MEASURING, MEASURING, f"{_RUN_OUT}; {_FOR_JOB}"),
    Transition("finish", MEASURING, MEASURED, _CLAIMED),
    Transition("reject", MEASURING, REJECTED, _CLAIMED),
    Transition("fail", MEASURING, FAILED, _CLAIMED),
    Transition("hand_back", MEASURING, WAITING, _CLAIMED),
    Transition("expire", MEASURING, WAITING, f"{_RUN_OUT}; {_FOR_JOB}"),
    Transition("expire", MEASURING, FAILED, f"{_RUN_OUT}; no attempt is left"),
    Transition("expire", WAITING, FAILED, "no attempt is left"),
    Transition("request", GONE, WAITING, f"{_NEW_SETTINGS}; not: {_KEPT}"),
    Transition("request", WAITING, SUPERSEDED, _NEW_SETTINGS),
    Transition("request", MEASURING, SUPERSEDED, _NEW_SETTINGS),
    *(Transition("remove", state, GONE, "the take goes") for state in JOB_STATES),
)

OF_TAKES: Final = (
    # A take goes with the job whose result counts; `request` gives it another, or none.
    *(one for one in OF_JOBS if one.act not in ("request", "remove") and one.before != one.after),
    *(Transition("request", state, WAITING, f"{_NEW_SETTINGS}; not: {_KEPT}") for state in TAKE_STATES),
    *(Transition("request", state, MEASURED, f"{_NEW_SETTINGS}; {_KEPT}") for state in TAKE_STATES),
    *(Transition("remove", state, GONE, "whoever asks is allowed to") for state in TAKE_STATES),
)
