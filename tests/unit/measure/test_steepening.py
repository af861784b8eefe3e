"""Where a strum begins to fall faster: found soon after a fade-out begins, and never where strings ring freely."""

import numpy as np
import pytest

from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.steepening import steepening
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.take import Take, render
from material import corpus

CELL_S = 0.001


def course(level_db: FloatArray) -> Cells:
    """Cells of a level, one each millisecond."""
    return Cells(10 ** (level_db / 10), CELL_S, 48)


def time_s(duration_s: float) -> FloatArray:
    return (np.arange(round(duration_s / CELL_S)) + 0.5) * CELL_S


@pytest.mark.parametrize("later", [30.0, 60.0, 300.0])
@pytest.mark.parametrize("fall", [5.0, 10.0, 15.0])
def test_knee_between_two_falls_is_found_within_a_step(fall: float, later: float) -> None:
    time = time_s(2.5)
    found = steepening(course(-fall * time - (later - fall) * np.maximum(time - 1.5, 0)))
    assert found is not None
    assert found * CELL_S == pytest.approx(1.5, abs=0.06)


@pytest.mark.parametrize(("fall", "later"), [(10.0, 10.0), (20.0, 26.0), (30.0, 10.0), (10.0, -5.0)])
def test_fall_that_does_not_become_half_as_steep_again_is_free(fall: float, later: float) -> None:
    time = time_s(3.0)
    assert steepening(course(-fall * time - (later - fall) * np.maximum(time - 1.5, 0))) is None


@pytest.mark.parametrize("duration_s", [0.0, 0.02, 0.5])
def test_what_is_too_short_to_tell_and_silence_do_not_steepen(duration_s: float) -> None:
    assert steepening(course(-100.0 * time_s(duration_s) ** 2)) is None
    assert steepening(Cells(np.zeros(3000), CELL_S, 48)) is None


def test_instant_is_counted_from_the_onset_though_the_loudest_comes_later() -> None:
    time = time_s(3.0)
    swell = np.where(time < 0.4, -20 + 50 * time, -10 * (time - 0.4)) - 70 * np.maximum(time - 2.0, 0)
    found = steepening(course(swell))
    assert found is not None
    assert found * CELL_S == pytest.approx(2.0, abs=0.06)


@pytest.mark.parametrize("frets", [corpus.BARRE, corpus.MINOR, corpus.THREE_HIGH, (0, *5 * (None,)), (*5 * (None,), 0)])
@pytest.mark.parametrize("pickup", [corpus.SINGLE, corpus.TWIN, corpus.BATTERY])
def test_strings_that_ring_freely_never_steepen(pickup: object, frets: tuple[int | None, ...]) -> None:
    """Cut after any time from 0.6 to 6 s."""
    rate_hz = 22_050
    strums = corpus.hands(1, 1.0, first_s=0.1, frets=frets, seed=9)
    take = Take(pickup, strums, 6.2, chain=Chain(hiss_dbfs=None, clips=False))  # type: ignore[arg-type]
    samples = render(take, rate_hz).samples[round(0.1 * rate_hz) :]
    length = rate_hz // 1000
    rows = samples[: samples.size // length * length].reshape(-1, length)
    energies = np.einsum("ij,ij->i", rows, rows)
    for cut in range(600, 6000, 300):
        assert steepening(Cells(energies[:cut], length / rate_hz, length)) is None, cut
