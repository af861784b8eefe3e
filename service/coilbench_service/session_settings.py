"""A session's conditions change: the takes that inherit other settings by it are measured again, and no others."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from coilbench_service.settings_of import FROM_ABOUT, settings_after
from coilbench_worker import jobs
from coilbench_worker.jobs.request import NoSuchTake
from coilbench_worker.measure.version import MEASURE_VERSION
from coilbench_worker.store import takes
from coilbench_worker.store.states import WAITING
from coilbench_worker.store.takes import TakeFilter


def ask_again(
    connection: Connection, key: str, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> list[str]:
    """Give the takes of a session the settings that they inherit now.

    Parameters
    ----------
    connection : of the transaction that changes the session; the sessions are held (`store.sessions.hold`)
    before, after : its sheet; None: there is none

    Returns
    -------
    list : the jobs that were made, to be published after the commit
    """
    was, now = _settings(before), _settings(after)
    if was == now:
        return []
    made = []
    for take in takes.each(connection, TakeFilter(session=key)):
        old = {**was, **_stated(take.about)}
        new = {**now, **_stated(take.about)}
        settings = settings_after(take.settings, old, new)
        if old == new or settings.key() == take.settings_key:
            continue
        try:
            changed = jobs.request(connection, take.id, settings, version=MEASURE_VERSION)
        except NoSuchTake:  # deleted since it was listed
            continue
        if changed.state == WAITING and changed.job_id is not None and changed.job_id != take.job_id:
            made.append(changed.job_id)
    return made


def _settings(sheet: Mapping[str, Any] | None) -> dict[str, Any]:
    return _stated((sheet or {}).get("conditions", {}))


def _stated(about: Mapping[str, Any]) -> dict[str, Any]:
    return {name: about[name] for name in FROM_ABOUT if about.get(name) is not None}
