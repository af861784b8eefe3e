"""The third-octave bands of pickups or takes at equal loudness, each with the interval of its mean.

A band's level is taken re the loudness of its own strum, so that a hotter pickup does not look brighter; the take is
the independent unit (`pickup_mean`), with a single take its strums.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from coilbench_service.bench import Bench
from coilbench_service.comparing import collected, subject_view
from coilbench_service.evidence import EQUAL_LOUDNESS
from coilbench_worker.compare.observations import Subject
from coilbench_worker.compare.pickup_mean import pickup_mean
from coilbench_worker.measure.catalogue import quantity

BANDS = quantity("third_octave_db")


def banded(
    bench: Bench, *, subjects: Sequence[str] | None, session: str | None, confidence: float, field: str
) -> dict[str, Any]:
    """Bands side by side, as JSON values.

    Parameters
    ----------
    subjects : keys of pickups, or ids of takes; None for every pickup with measured takes
    field : of the request, where they stand

    Raises
    ------
    Problem : subject-unknown, too-many-takes, nothing-to-compare
    """
    evidence = collected(bench, subjects, session, field=field)
    parties = evidence.usable()
    reference = parties[0].takes[0]
    rows = [row for party in parties for row in _rows(party.key, evidence.subject(party, reference), confidence)]
    return {
        "confidence": confidence,
        "subjects": [subject_view(party) for party in parties],
        "bands": rows,
        "left_out": [asdict(one) for one in evidence.left_out],
    }


def _rows(key: str, subject: Subject, confidence: float) -> list[dict[str, Any]]:
    rows = []
    for part, column in zip(BANDS.parts, BANDS.columns(), strict=True):
        values = subject.of(column + EQUAL_LOUDNESS)
        mean = pickup_mean(values, confidence=confidence) if values else None
        rows.append(
            {
                "subject": key,
                "part": part,
                "mean": None if mean is None else mean.mean,
                "low": None if mean is None else mean.low,
                "high": None if mean is None else mean.high,
                "takes": len(values),
                "strums": sum(map(len, values)),
            }
        )
    return rows
