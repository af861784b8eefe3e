"""Attack times of ramps that have closed forms: 0.8 T, 0.590334 T, tau ln 9 (arithmetic).

The 1 ms of the envelope limits what can be read. Ramps much shorter than it read 0.4 to 0.75 ms long, whatever they
are. Below about 1 kHz the envelope follows the waveform itself, and in a chord it follows the beats of the strings: the
attack time then says when the waveform first came near its greatest value, and the ramp is only a part of that. The
last test states by how much.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest

from coilbench_worker.measure.envelope import attack
from coilbench_worker.measure.source import FloatArray

RATES_HZ = (44_100, 48_000, 96_000, 192_000)
BEFORE_S, AFTER_S = 0.02, 0.12
ATTACK_WINDOW_S = 0.1
CLOSED_FORM = "closed form"

at_every_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)
Deviation = Callable[..., None]


def times_s(rate_hz: int) -> FloatArray:
    return np.arange(round(AFTER_S * rate_hz)) / rate_hz


def gain(shape: str, ramp_s: float, time_s: FloatArray) -> FloatArray:
    share = np.minimum(time_s / ramp_s, 1.0)
    shapes = {
        "linear": share,
        "raised cosine": 0.5 - 0.5 * np.cos(np.pi * share),
        "exponential": 1.0 - np.exp(-time_s / ramp_s),
    }
    return shapes[shape]


def attack_ms(samples: FloatArray, rate_hz: int) -> float:
    """Attack of what begins after 20 ms of silence."""
    before = round(BEFORE_S * rate_hz)
    measured = attack(np.concatenate((np.zeros(before), samples)), rate_hz, onset=before)
    assert measured.ms is not None
    return measured.ms


def deviations_ms(shape: str, ramp_s: float, rate_hz: int, expected_s: float) -> list[float]:
    """Deviations on sines of 1, 2 and 5 kHz in three phases."""
    time_s = times_s(rate_hz)
    return [
        attack_ms(gain(shape, ramp_s, time_s) * np.sin(2 * np.pi * frequency_hz * time_s + phase), rate_hz)
        - 1000 * expected_s
        for frequency_hz in (1000.0, 2000.0, 5000.0)
        for phase in (0.0, 1.0, 2.0)
    ]


RAMPS = [("linear", 0.8), ("raised cosine", 0.590334)]


@pytest.mark.standard("attack, ramps of 5 to 80 ms", CLOSED_FORM, "0.8 T, 0.590334 T", tolerance=0.25, unit="ms")
@at_every_rate
@pytest.mark.parametrize("ramp_s", [0.005, 0.01, 0.02, 0.04, 0.08])
@pytest.mark.parametrize(("shape", "share"), RAMPS)
def test_attack_of_a_ramp_is_its_share_of_the_ramp(
    shape: str, share: float, ramp_s: float, rate_hz: int, deviation: Deviation
) -> None:
    for each in deviations_ms(shape, ramp_s, rate_hz, share * ramp_s):
        deviation(each)


@pytest.mark.standard("attack, ramps of 0.5 to 3 ms", CLOSED_FORM, "0.8 T, 0.590334 T", tolerance=(0, 0.75), unit="ms")
@at_every_rate
@pytest.mark.parametrize("ramp_s", [0.0005, 0.001, 0.002, 0.003])
@pytest.mark.parametrize(("shape", "share"), RAMPS)
def test_attack_of_a_short_ramp_reads_long(
    shape: str, share: float, ramp_s: float, rate_hz: int, deviation: Deviation
) -> None:
    """The window of 1 ms smooths it: always long, never by more than 0.75 ms."""
    for each in deviations_ms(shape, ramp_s, rate_hz, share * ramp_s):
        deviation(each)


@pytest.mark.standard("attack, exponential of tau 2 to 20 ms", CLOSED_FORM, "tau ln 9", tolerance=0.5, unit="ms")
@at_every_rate
@pytest.mark.parametrize("tau_s", [0.002, 0.003, 0.005, 0.01, 0.02])
def test_attack_of_an_exponential_rise_is_tau_ln_9(tau_s: float, rate_hz: int, deviation: Deviation) -> None:
    """10 % and 90 % of what it reaches in the attack window: for tau of 20 ms that is 99.3 % of what it tends to."""
    greatest = 1 - math.exp(-ATTACK_WINDOW_S / tau_s)
    expected_s = tau_s * math.log((1 - 0.1 * greatest) / (1 - 0.9 * greatest))
    assert expected_s == pytest.approx(tau_s * math.log(9), rel=0.03)
    for each in deviations_ms("exponential", tau_s, rate_hz, expected_s):
        deviation(each)


def steady_chord(time_s: FloatArray, seed: int) -> FloatArray:
    """Six strings of an open E chord with partials up to 6 kHz, in random phases."""
    random = np.random.default_rng(seed)
    samples = np.zeros(time_s.size)
    for base_hz in (82.407, 123.471, 164.814, 207.652, 246.942, 329.628):
        for number in range(1, 25):
            frequency_hz = base_hz * number * (1 + 2e-5 * number**2)
            if frequency_hz < 6000:
                samples += np.sin(2 * np.pi * (frequency_hz * time_s + random.uniform(0, 1))) / number
    return samples


@pytest.mark.standard(
    "attack of steady chords, ramp of 10 ms, standard deviation", "common practice, no source", "40 seeds",
    tolerance=(0, 15), unit="ms",
)  # fmt: skip
def test_beats_of_a_chord_scatter_its_attack(deviation: Deviation) -> None:
    """What the definition itself leaves uncertain: the same ramp on six strings whose phases differ by chance."""
    time_s = times_s(48_000)
    shape = gain("linear", 0.01, time_s)
    found = [attack_ms(shape * steady_chord(time_s, seed), 48_000) for seed in range(40)]
    deviation(float(np.std(found)))
