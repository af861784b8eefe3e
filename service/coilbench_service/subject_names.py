"""What the sides of a question are called for people: a pickup by its key, a take by its label, else by its file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from coilbench_service.bench import Bench
from coilbench_worker.store import takes
from coilbench_worker.store.takes import TakeFilter


def subject_names(bench: Bench, subjects: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Names by id.

    Parameters
    ----------
    subjects : `{"id", "kind"}` each, as answers have them; kind is pickup or take
    """
    kinds = {one["id"]: one["kind"] for one in subjects}
    ids = tuple(key for key, kind in kinds.items() if kind == "take")
    labels: dict[str, str] = {}
    if ids:
        with bench.database.read() as connection:
            labels = {
                take.id: str(take.about.get("label") or take.file_name)
                for take in takes.each(connection, TakeFilter(id=ids))
            }
    return {key: labels.get(key, key) for key in kinds}
