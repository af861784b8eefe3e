"""Sums of decaying exponentials, sampled exactly: the value at an instant does not depend on the sample rate."""

import numpy as np

from .types import ComplexArray, FloatArray

BLOCK = 512


class Sampler:
    """Samples Re sum amplitude exp(s t). Keeps the phasors of one block per set of `s`, so that strums share them."""

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self._blocks: dict[bytes, ComplexArray] = {}

    def sampled(self, amplitude: ComplexArray, s: ComplexArray, *, start_s: float, frames: int) -> FloatArray:
        """The sum at `frames` instants from `start_s` on.

        Parameters
        ----------
        amplitude, s : shape (n,); s in rad/s, real parts < 0
        start_s : instant of the first sample, counted from the start of the exponentials, >= 0, s
        frames : number of samples, >= 0

        Returns
        -------
        shape (frames,)
        """
        key = s.tobytes()
        if key not in self._blocks:
            self._blocks[key] = np.exp(s[:, None] * (np.arange(BLOCK) / self.rate_hz))
        phasors = self._blocks[key]
        starts_s = start_s + np.arange(-(-frames // BLOCK)) * (BLOCK / self.rate_hz)
        heads = amplitude * np.exp(s * starts_s[:, None])
        samples: FloatArray = (heads.real @ phasors.real - heads.imag @ phasors.imag).reshape(-1)[:frames]
        return samples
