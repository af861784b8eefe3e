"""What the same questions cost when general audio libraries are put together to answer them."""

from pathlib import Path

import librosa
import numpy as np
import pyloudnorm
import scipy.signal
import soundfile


def library_route(path: Path) -> float:
    """Onsets, spectral centroid, RMS, integrated loudness and true peak of a recording by library calls."""
    samples, rate_hz = soundfile.read(path)
    onsets = librosa.onset.onset_detect(y=samples, sr=rate_hz)
    centroid = librosa.feature.spectral_centroid(y=samples, sr=rate_hz)
    rms = librosa.feature.rms(y=samples)
    loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(samples)
    peak = np.max(np.abs(scipy.signal.resample_poly(samples, 4, 1)))
    return float(len(onsets) + centroid[0, 0] + rms[0, 0] + loudness + peak)
