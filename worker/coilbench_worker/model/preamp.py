"""The electronics of a battery-powered pickup: gain, a slow gain control, a ceiling that rounds peaks off."""

import numpy as np

from .pickup import Preamp
from .types import FloatArray

STEP_S = 0.001


def amplified(preamp: Preamp, volts: FloatArray, rate_hz: float) -> FloatArray:
    """Output of the preamp, V, same shape as `volts`.

    The gain control follows the energy in steps of 1 ms, so that two sample rates give the same gain.
    """
    loud = volts * 10 ** (preamp.gain_db / 20)
    loud = loud * control_gain(preamp, loud, rate_hz)
    limited: FloatArray = preamp.ceiling_v * np.tanh(loud / preamp.ceiling_v)
    return limited


def control_gain(preamp: Preamp, volts: FloatArray, rate_hz: float) -> FloatArray:
    """Gain (<= 1) of the slow control at every sample, same shape as `volts`."""
    times_s = np.arange(len(volts)) / rate_hz
    steps_s = np.arange(0.0, times_s[-1] + 2 * STEP_S, STEP_S)
    energy = np.concatenate(([0.0], np.cumsum(volts**2) / rate_hz))
    at_steps = np.interp(steps_s, np.arange(len(volts) + 1) / rate_hz, energy)
    power = np.diff(at_steps, prepend=0.0) / STEP_S
    rise = 1 - np.exp(-STEP_S / preamp.attack_s)
    fall = 1 - np.exp(-STEP_S / preamp.release_s)
    followed = np.empty_like(power)
    state = 0.0
    for index, value in enumerate(power.tolist()):
        state += (value - state) * (rise if value > state else fall)
        followed[index] = state
    excess = np.maximum(followed / preamp.threshold_v**2, 1.0)
    steps_gain = excess ** (0.5 * (1 / preamp.ratio - 1))
    gain: FloatArray = np.interp(times_s, steps_s, steps_gain)
    return gain
