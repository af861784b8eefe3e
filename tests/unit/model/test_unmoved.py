"""The model's samples stay where they were when the electrical side moved to its own room (coilbench_worker.coil).

The values were taken from the revision before the move by `played()` below; both revisions agreed to the last bit. What
changes the model on purpose takes them anew: run this file.
"""

import numpy as np

from coilbench_worker.coil.circuit import Coil
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.pickup import Pickup
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Take, render
from coilbench_worker.model.types import FloatArray

EVERY = 1000
BEFORE = (
    0.0,
    0.0,
    -0.011533789162077155,
    -0.365324528327286,
    0.014143420017410611,
    -0.19161833246312768,
    -0.019028538639264844,
    -0.19223903813282722,
    -0.07223185026043846,
)


def played() -> FloatArray:
    pickup = Pickup((33.0, 51.0), 12.0, Coil(4.3, 130e-12, 7800.0), sensitivity_v=0.6)
    silent = Chain(hiss_dbfs=None, clips=False)
    return render(Take(pickup, (Strum(0.05),), 0.4, chain=silent), 22050).samples[::EVERY]


def test_samples_of_a_modelled_strum_are_those_of_before() -> None:
    np.testing.assert_allclose(played(), BEFORE, rtol=0, atol=1e-12)
    assert np.max(np.abs(BEFORE)) > 0.01


if __name__ == "__main__":
    print(tuple(float(value) for value in played()))
