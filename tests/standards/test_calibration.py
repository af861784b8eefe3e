"""Calibration against closed forms, the GUM's own examples and simulation: tone, volts, millivolts, uncertainty."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from coilbench_worker.measure.calibration import HARMONICS_SHARE, dbu_to_v_rms, from_tone, stated, v_rms_to_dbu
from coilbench_worker.measure.uncertainty import (
    Component,
    coverage_factor,
    effective_degrees,
    expanded_mean,
    percent_to_db,
)
from material.tones import among_silence, hiss, measured_tone, rounded, sine

Deviation = Callable[..., None]

GUM = "JCGM 100:2008 (GUM)"
SINE = "closed form: peak / sqrt(2)"
CLOSED = "closed form"
AES17 = "AES17 (through secondary texts)"
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)
FREQUENCIES_HZ = (40.0, 82.41, 315.0, 997.0, 1000.0, 5003.7, 15_000.0)


@pytest.mark.standard("level of a clean reference tone", SINE, "", tolerance=0.005, unit="dB")
@pytest.mark.standard("frequency of a clean reference tone", CLOSED, "", tolerance=1e-4, unit="of itself")
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_clean_tone_is_measured_at_any_rate_and_word_length(rate_hz: int, bits: int, deviation: Deviation) -> None:
    draw = np.random.default_rng(rate_hz + bits)
    for frequency_hz in FREQUENCIES_HZ:
        peak, phase, offset = draw.uniform(0.02, 0.9), draw.uniform(0.0, 2.0 * np.pi), draw.uniform(-0.05, 0.05)
        tone = sine(frequency_hz, peak, phase=phase, seconds=1.3, rate_hz=rate_hz)
        found = measured_tone(rounded(among_silence(tone, 0.21, 0.13, rate_hz) + offset, bits), rate_hz)
        deviation(found.rms_dbfs - 20 * math.log10(peak / math.sqrt(2)), of="level of a clean reference tone")
        deviation(found.frequency_hz / frequency_hz - 1, of="frequency of a clean reference tone")


@pytest.mark.standard("level of a tone in noise at -50 dB", SINE, "", tolerance=0.005, unit="dB")
@pytest.mark.standard("frequency of a tone in noise at -50 dB", CLOSED, "", tolerance=1e-4, unit="of itself")
def test_tone_in_noise_is_measured(deviation: Deviation) -> None:
    for seed, frequency_hz in enumerate((41.0, 440.0, 1000.0, 15_000.0)):
        tone = sine(frequency_hz, 0.3, seconds=2.0)
        found = measured_tone(tone + hiss(0.3 / math.sqrt(2) * 10 ** (-50 / 20), tone.size, seed))
        deviation(found.rms_dbfs - 20 * math.log10(0.3 / math.sqrt(2)), of="level of a tone in noise at -50 dB")
        deviation(found.frequency_hz / frequency_hz - 1, of="frequency of a tone in noise at -50 dB")
        assert found.distortion_db == pytest.approx(-50.0, abs=0.2)


@pytest.mark.standard("distortion of a reference tone", CLOSED, "root of squares", tolerance=0.05, unit="dB")
@pytest.mark.standard("level of a distorted reference tone", SINE, "", tolerance=0.005, unit="dB")
@pytest.mark.parametrize("frequency_hz", [60.9, 440.0, 1000.0])
@pytest.mark.parametrize("distortion", [0.009, 0.003, 0.0003])
def test_known_distortion_is_found_and_leaves_the_level_alone(
    frequency_hz: float, distortion: float, deviation: Deviation
) -> None:
    shares = {2: 0.6, 3: 0.7, 5: math.sqrt(1 - 0.6**2 - 0.7**2)}
    tone = sine(frequency_hz, 0.4, seconds=2.0)
    for number, share in shares.items():
        tone = tone + sine(number * frequency_hz, 0.4 * distortion * share, seconds=2.0, phase=number)
    found = measured_tone(tone)
    deviation(found.distortion_db - 20 * math.log10(distortion), of="distortion of a reference tone")
    deviation(found.rms_dbfs - 20 * math.log10(0.4 / math.sqrt(2)), of="level of a distorted reference tone")


@pytest.mark.standard("level of a drifting reference tone", CLOSED, "middle of the drift", tolerance=0.005, unit="dB")
@pytest.mark.standard("spread of a drifting reference tone", CLOSED, "the drift", tolerance=0.005, unit="dB")
def test_slow_drift_of_level_shows_as_spread_about_the_right_mean(deviation: Deviation) -> None:
    drift_db = np.linspace(0.0, 0.08, 4 * 48_000)
    found = measured_tone(sine(seconds=4.0, peak=0.3) * 10 ** (drift_db / 20))
    deviation(found.rms_dbfs - 20 * math.log10(0.3 / math.sqrt(2)) - 0.04, of="level of a drifting reference tone")
    between_pieces_db = 0.08 * (found.duration_s - 0.25) / 4.0 - 0.08 * 0.05 / 4.0
    deviation(found.stability_db - between_pieces_db, of="spread of a drifting reference tone")


@pytest.mark.standard("type A uncertainty of a level", "simulation, 60 tones", "", tolerance=0.2, unit="of itself")
def test_stated_uncertainty_of_the_level_is_the_scatter_of_the_level(deviation: Deviation) -> None:
    errors_db, stated_db = [], []
    for seed in range(60):
        tone = sine(611.0, 0.3, seconds=2.5, rate_hz=8_000, phase=seed)
        found = measured_tone(tone + hiss(0.0015, tone.size, seed), 8_000)
        errors_db.append(found.rms_dbfs - 20 * math.log10(0.3 / math.sqrt(2)))
        stated_db.append(found.standard_uncertainty_db)
    deviation(float(np.sqrt(np.mean(np.square(stated_db)) / np.mean(np.square(errors_db)))) - 1)


@pytest.mark.standard(
    "sine by two conventions",
    AES17,
    "re a full-scale sine",
    tolerance=1e-4,
    unit="dB",
)
def test_half_scale_sine_reads_9_03_plain_and_6_02_by_aes17(deviation: Deviation) -> None:
    found = measured_tone(sine(997.0, 0.5))
    deviation(found.rms_dbfs - -9.0309)
    deviation(found.aes17_dbfs - -6.0206)


LEVELS = [  # dBu, V RMS: common practice in audio, checkvalues of the design; 0 dBu is sqrt(0.6) V
    (0.0, 0.774597),
    (4.0, 1.22765),
    (20.0 * math.log10(1.0 / math.sqrt(0.6)), 1.0),  # 0 dBV = +2.2185 dBu
    (-7.7815, 10 ** (-10 / 20)),  # -10 dBV
]


@pytest.mark.standard("dBu in volts", CLOSED, "0 dBu = sqrt(0.6) V", tolerance=1e-4, unit="dB")
@pytest.mark.parametrize(("level_dbu", "voltage"), LEVELS)
def test_dbu_and_volts_agree_with_the_definitions(level_dbu: float, voltage: float, deviation: Deviation) -> None:
    deviation(20 * math.log10(dbu_to_v_rms(level_dbu) / voltage))
    deviation(v_rms_to_dbu(voltage) - level_dbu)


def test_0_dbu_is_2_2185_db_below_a_volt() -> None:
    assert 20 * math.log10(dbu_to_v_rms(0.0)) == pytest.approx(-2.2185, abs=5e-5)


@pytest.mark.standard(
    "millivolts of a full-scale sine",
    CLOSED,
    "sqrt(2) to the peak",
    tolerance=1e-9,
    unit="of itself",
)
@pytest.mark.parametrize("full_scale_v_rms", [0.0123, 1.0, 6.153])
def test_full_scale_sine_has_the_voltage_of_full_scale(full_scale_v_rms: float, deviation: Deviation) -> None:
    known = stated(0.0, full_scale_v_rms=full_scale_v_rms, expanded_uncertainty_db=0.3)
    deviation(known.millivolts(-10 * math.log10(2)) / (1000 * full_scale_v_rms) - 1)
    deviation(known.millivolts(0.0) / (1000 * math.sqrt(2) * full_scale_v_rms) - 1)


@pytest.mark.standard("full scale from a recorded tone", CLOSED, "volts over counts", tolerance=0.005, unit="dB")
def test_recorded_tone_gives_the_full_scale_of_the_input(deviation: Deviation) -> None:
    for full_scale_v_rms, tone_v_rms in ((0.5, 0.2), (1.228, 0.775), (8.7, 1.0)):
        peak = tone_v_rms / full_scale_v_rms
        tone = measured_tone(rounded(sine(997.0, peak), 24))
        found = from_tone(20, tone, tone_v_rms=tone_v_rms, expanded_uncertainty_percent=1)
        deviation(20 * math.log10(found.full_scale_v_rms / full_scale_v_rms))


@pytest.mark.standard("1 % in dB", CLOSED, "20 log10", tolerance=5e-5, unit="dB")
def test_percent_becomes_db_by_the_first_order(deviation: Deviation) -> None:
    deviation(percent_to_db(1.0) - 10 * math.log10(1.01 / 0.99))


@pytest.mark.parametrize("harmonic", [2, 3, 4, 5, 7])
def test_meter_that_averages_misreads_by_a_third_of_a_harmonic_at_most(harmonic: int) -> None:
    """Average of |sin + h sin| over that of the sine, any phase of the harmonic: well inside the budget's bound."""
    t, h = np.arange(20_000) / 20_000 * 2 * np.pi, 0.01
    misread = [
        abs(np.abs(np.sin(t) + h * np.sin(harmonic * t + phase)).mean() / np.abs(np.sin(t)).mean() - 1)
        for phase in np.linspace(0, 2 * np.pi, 37)
    ]
    assert max(misread) <= h / 3 * 1.001 < HARMONICS_SHARE * h


@pytest.mark.standard("loss of a bent input over its harmonics", CLOSED, "x - k x^3: 3", tolerance=0.05, unit="")
@pytest.mark.parametrize("bend", [0.0005, 0.002, 0.01])
def test_bent_input_loses_three_times_its_third_harmonic(bend: float, deviation: Deviation) -> None:
    """sin^3 = (3 sin - sin 3) / 4: the bound in the budget."""
    tone = sine(997.0, 1.0)
    found = measured_tone(0.5 * (tone - bend * tone**3))
    lost = 1 - 10 ** (found.rms_dbfs / 20) / (0.5 / math.sqrt(2))
    deviation(lost / 10 ** (found.harmonics_db / 20) - HARMONICS_SHARE)


DAY_MEANS_UV = (172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0)  # above 10 V


@pytest.mark.standard("scatter of ten day means", GUM, "H.5: 57 uV", tolerance=0.5, unit="uV")
def test_zener_voltage_standard_of_the_gum(deviation: Deviation) -> None:
    """Grand mean 10.000097 V; the day means scatter by 57 uV, so that their mean is uncertain by 57 uV / sqrt(10)."""
    found = expanded_mean(DAY_MEANS_UV, ())
    assert found is not None
    assert found.mean == pytest.approx(97.0, abs=0.5)
    assert found.degrees_of_freedom == pytest.approx(9.0)
    deviation(found.standard_uncertainty * math.sqrt(10) - 57.0)


END_GAUGE_NM = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))


@pytest.mark.standard("effective degrees of freedom, end gauge", GUM, "H.1.6: 16.7", tolerance=0.1, unit="degrees")
def test_end_gauge_of_the_gum(deviation: Deviation) -> None:
    """Components and degrees of freedom as the R package `propagate` quotes them, rounded there; 16.7 from memory."""
    total = math.sqrt(sum(u * u for u, _ in END_GAUGE_NM))
    assert total == pytest.approx(32.0, abs=0.5)
    degrees = effective_degrees(END_GAUGE_NM)
    assert degrees is not None
    deviation(degrees - 16.7)


@pytest.mark.standard("effective degrees of freedom, product", GUM, "G.4.1: 19.0", tolerance=0.05, unit="degrees")
@pytest.mark.standard("expanded uncertainty, product", GUM, "G.4.1: 2.2 %", tolerance=0.05, unit="%")
def test_product_of_three_of_the_gum(deviation: Deviation) -> None:
    """Components 0.25, 0.57 and 0.82 % of 10, 5 and 15 readings; the example from memory."""
    components = ((0.25, 9.0), (0.57, 4.0), (0.82, 14.0))
    degrees = effective_degrees(components)
    assert degrees is not None
    deviation(degrees - 19.0, of="effective degrees of freedom, product")
    total = math.sqrt(sum(u * u for u, _ in components))
    assert total == pytest.approx(1.03, abs=0.005)
    deviation(coverage_factor(degrees) * total - 2.2, of="expanded uncertainty, product")


SCATTERS = [  # strums, their standard deviation in %, then u of the calibration in % and its degrees of freedom
    (4, 5.0, 0.5, None),
    (4, 3.0, 1.5, None),
    (6, 4.0, 4.0, None),
    (8, 1.0, 3.0, None),
    (20, 5.0, 1.0, None),
    (6, 4.0, 1.6, 9),
    (5, 2.0, 2.0, 7),
]
DRAWS = 4_000


@pytest.mark.standard(
    "coverage of 95 % intervals",
    "simulation, 4,000 takes each",
    "",
    tolerance=2.0,
    unit="% of takes",
)
@pytest.mark.parametrize(("strums", "scatter", "scale", "degrees"), SCATTERS)
def test_expanded_uncertainty_holds_the_truth_in_95_of_100_takes(
    strums: int, scatter: float, scale: float, degrees: int | None, deviation: Deviation
) -> None:
    draw = np.random.default_rng(strums * 1000 + (degrees or 0))
    truth_mv, held = 200.0, 0
    for _ in range(DRAWS):
        factor = 1.0 + draw.normal(0.0, scale / 100)
        values = truth_mv * (1.0 + draw.normal(0.0, scatter / 100, strums)) * factor
        known = scale if degrees is None else scale * math.sqrt(draw.chisquare(degrees) / degrees)
        found = expanded_mean(values.tolist(), (Component("scale", percent_to_db(known), degrees),))
        assert found is not None
        held += abs(found.mean - truth_mv) <= found.expanded_uncertainty
    deviation(100.0 * held / DRAWS - 95.0)


STUDIOS = 400


@pytest.mark.standard("coverage, from the tone to mV", "simulation, 400 studios", "", tolerance=3.0, unit="% of takes")
def test_whole_way_from_the_meter_to_millivolts_holds_the_truth_in_95_of_100_studios(deviation: Deviation) -> None:
    """Each with a full scale, a meter that errs (2 %, k = 2), a noisy tone and six uneven strums of its own."""
    draw = np.random.default_rng(400)
    truth_mv, held = 100.0, 0
    for _ in range(STUDIOS):
        full_scale_v_rms, tone_v_rms = draw.uniform(0.3, 3.0), draw.uniform(0.05, 0.25)
        tone = sine(997.0, tone_v_rms / full_scale_v_rms, seconds=1.5, rate_hz=8_000, phase=draw.uniform(0, 6))
        recorded = tone + hiss(1e-3 * np.abs(tone).max(), tone.size, int(draw.integers(1 << 30)))
        read_v_rms = tone_v_rms * (1 + draw.normal(0.0, 0.01))
        known = from_tone(20.0, measured_tone(recorded, 8_000), tone_v_rms=read_v_rms, expanded_uncertainty_percent=2.0)
        strums_mv = truth_mv * (1 + draw.normal(0.0, 0.02, 6))
        levels_dbfs = 20 * np.log10(strums_mv / 1000 / (math.sqrt(2) * full_scale_v_rms))
        found = expanded_mean([known.millivolts(level) for level in levels_dbfs], known.budget)
        assert found is not None
        held += abs(found.mean - truth_mv) <= found.expanded_uncertainty
    deviation(100.0 * held / STUDIOS - 95.0)
