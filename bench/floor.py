"""The least that any measurement of a recording has to do: decode it, filter it once, transform it once."""

from pathlib import Path

import numpy as np
import scipy.fft
import scipy.signal
import soundfile

K_WEIGHTING = np.array(  # ITU-R BS.1770 at 48 kHz, two sections; any two would cost the same
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)


def floor(path: Path) -> float:
    """Decode, two-section IIR filter, one transform of the same samples; a number that keeps them from being idle."""
    samples, _ = soundfile.read(path)
    weighted = scipy.signal.sosfilt(K_WEIGHTING, samples)
    spectrum = scipy.fft.rfft(samples)
    return float(weighted[-1]) + float(abs(spectrum[1]))
