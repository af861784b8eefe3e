"""One recording whose onsets are known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, ArraySource
from coilbench_worker.measure.take import measure_take

FloatArray = NDArray[np.float64]
MODELLED_TOLERANCE_S, RECORDED_TOLERANCE_S = 0.005, 0.015
"""How near an onset must be found: modelled strings, recorded notes (measurements.md)."""


@dataclass(frozen=True)
class Case:
    """One recording: samples (n,) or (n, 2), full scale = 1.0; the onsets known; `notes` says what is hard about it.

    `channel` is the one to be measured, counted from 1, where it must be named.
    """

    name: str
    samples: FloatArray
    rate_hz: int
    onsets_s: tuple[float, ...]
    notes: str
    encoding: str = "float64"
    channel: int | None = None

    @property
    def tolerance_s(self) -> float:
        """How near an onset must be found, s."""
        return RECORDED_TOLERANCE_S if "recorded" in self.name else MODELLED_TOLERANCE_S

    @property
    def source(self) -> ArraySource:
        """The recording as measuring reads it."""
        return ArraySource(self.samples, self.rate_hz)

    @property
    def used(self) -> FloatArray:
        """The samples of the channel that carries the strums, shape (n,)."""
        if self.samples.ndim == 1:
            return self.samples
        strongest = int(np.argmax(np.sum(self.samples**2, axis=0)))
        return self.samples[:, strongest if self.channel is None else self.channel - 1]

    def found_s(self, expected_strums: int | None = None) -> FloatArray:
        """The onsets that measuring finds, s."""
        settings = MeasureSettings(expected_strums=expected_strums, channel=self.channel)
        measured = measure_take(self.source, FLOAT_FACTS, settings)
        return np.array([strum.onset_s for strum in measured.strums])
