"""Direct current in a recording: it is read in the levels and moves nothing else, in takes that never rest as well."""

import pytest

from coilbench_worker.measure.results import Strum
from coilbench_worker.measure.source import FloatArray
from material.plain_take import RATE_HZ, measured, plain_samples

LEVELS = {"peak_dbfs", "true_peak_dbtp", "rms_dbfs", "crest_db"}


def without_rest() -> FloatArray:
    """The plain take from 0.1 s before its first onset to where the last strum rings: too short to tell the offset."""
    return plain_samples()[RATE_HZ // 2 : 7 * RATE_HZ]


def figures(strum: Strum) -> dict[str, float | None]:
    """All that should not depend on direct current."""
    found = {key: value for key, value in strum.quantities.items() if key not in LEVELS}
    for parts in (strum.octave_db, strum.third_octave_db, strum.band_decay_db_per_s):
        found |= {f"{len(parts)} {part}": value for part, value in parts.items()}
    return found


@pytest.mark.parametrize(("offset", "rests"), [(0.01, True), (0.5, True), (0.01, False), (-0.1, False)])
def test_direct_current_moves_neither_loudness_nor_dynamics_nor_tone(offset: float, rests: bool) -> None:
    samples = plain_samples() if rests else without_rest()
    plain, moved = measured(samples), measured(samples + offset)
    assert (plain.noise["noise_dbfs"] is not None) == rests
    assert [strum.onset_s for strum in moved.strums] == [strum.onset_s for strum in plain.strums]
    for before, after in zip(plain.strums, moved.strums, strict=True):
        assert figures(after) == pytest.approx(figures(before), abs=1e-3)


def test_levels_are_read_with_direct_current_in_them() -> None:
    moved = measured(plain_samples() + 0.5).strums[0].quantities["rms_dbfs"]
    assert moved is not None
    assert moved > -6.03
