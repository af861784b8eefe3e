"""Rendered takes: their truth is true, and they sound like a strummed guitar as far as numbers tell."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from coilbench_worker.coil.circuit import Coil, resonance
from coilbench_worker.model.chain import Chain, hum
from coilbench_worker.model.pickup import USUAL_LOAD, Pickup, Preamp
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Take, render

PICKUP = Pickup((150.0,), 14.0, Coil(2.4, 110e-12, 6000.0), sensitivity_v=0.6)
SILENT = Chain(hiss_dbfs=None)
ONE_STRING: tuple[int | None, ...] = (0, None, None, None, None, None)


def level_db(samples: NDArray[np.float64]) -> float:
    return 10 * float(np.log10(np.mean(samples**2)))


def test_same_seed_gives_the_same_samples_and_another_seed_does_not() -> None:
    take = Take(PICKUP, (Strum(0.2, click_db=-20.0),), 1.0, chain=Chain(hum_hz=50.0, crackles_per_s=3), seed=3)
    np.testing.assert_array_equal(render(take, 48000).samples, render(take, 48000).samples)
    assert np.any(render(take, 48000).samples != render(replace(take, seed=4), 48000).samples)


@pytest.mark.parametrize("other_hz", [22050, 48000, 88200, 96000, 192000])
def test_sample_rates_agree_at_the_instants_they_share(other_hz: int) -> None:
    take = Take(PICKUP, (Strum(0.1), Strum(0.7, stroke="up", stop_s=1.1)), 1.5, chain=SILENT)
    one, other = render(take, 44100).clean, render(take, other_hz).clean
    common = np.gcd(44100, other_hz)
    np.testing.assert_allclose(one[:: 44100 // common], other[:: other_hz // common], atol=1e-9)


def test_nothing_sounds_before_the_onset_and_the_string_does_after() -> None:
    take = Take(PICKUP, (Strum(0.31234, spread_s=0.06),), 1.0, chain=SILENT)
    clean = render(take, 48000).clean
    first = int(np.ceil(0.31234 * 48000))
    assert np.all(clean[:first] == 0)
    loud = np.max(np.abs(clean))
    assert np.max(np.abs(clean[first : first + 144])) > 0.02 * loud


def test_strings_start_one_after_the_other_within_the_spread() -> None:
    down = Strum(1.0, spread_s=0.05, seed=4).string_onsets_s()
    assert list(down) == [0, 1, 2, 3, 4, 5]
    assert down[0] == 1.0
    assert down[5] == pytest.approx(1.05)
    assert np.all(np.diff(list(down.values())) > 0.004)
    up = Strum(1.0, (None, None, 2, 1, 0, None), stroke="up").string_onsets_s()
    assert list(up) == [4, 3, 2]


@pytest.mark.parametrize("rate_db_per_s", [6.0, 10.0, 20.0])
def test_one_string_of_a_single_rate_decays_at_that_rate(rate_db_per_s: float) -> None:
    strum = Strum(0.1, ONE_STRING)
    take = Take(PICKUP, (strum,), 0.1 + 60 / rate_db_per_s, chain=SILENT, single_rate_db_per_s=rate_db_per_s)
    truth = render(take, 48000).truth
    assert truth.single_rate_db_per_s == rate_db_per_s
    assert truth.strums[0].decay_db_per_s == pytest.approx(rate_db_per_s, rel=2e-3)


def test_chord_of_a_single_rate_decays_near_that_rate() -> None:
    take = Take(PICKUP, (Strum(0.1),), 6.0, chain=SILENT, single_rate_db_per_s=12.0)
    assert render(take, 48000).truth.strums[0].decay_db_per_s == pytest.approx(12.0, rel=0.05)


def test_no_decay_is_claimed_for_a_strum_cut_before_it_has_fallen() -> None:
    take = Take(PICKUP, (Strum(0.1), Strum(0.9)), 6.0, chain=SILENT)
    first, second = render(take, 48000).truth.strums
    assert first.decay_db_per_s is None
    assert first.ended_by == "next"
    assert second.decay_db_per_s is not None
    assert second.ended_by == "file-end"


def test_level_in_the_truth_is_that_of_the_first_half_second() -> None:
    made = render(Take(PICKUP, (Strum(0.25),), 2.0, chain=SILENT), 48000)
    assert made.truth.strums[0].rms_dbfs == pytest.approx(level_db(made.clean[12000:36000]), abs=1e-9)


def test_force_moves_the_level_by_as_many_decibels() -> None:
    one, other = (render(Take(PICKUP, (Strum(0.1, force_db=f),), 1.0, chain=SILENT), 48000) for f in (0.0, -7.5))
    soft, loud = other.truth.strums[0].rms_dbfs, one.truth.strums[0].rms_dbfs
    assert soft is not None
    assert loud is not None
    assert loud - soft == pytest.approx(7.5, abs=1e-9)


def test_coil_rings_as_its_circuit_says() -> None:
    """Against a numerical integration of the same circuit at 1.536 MHz (scipy's lsim, first-order hold)."""
    almost_bare = replace(PICKUP, coil=Coil(1e-6, 1e-15, 0.0), load=replace(USUAL_LOAD, capacitance_f=0.0))
    strum = Strum(0.0, ONE_STRING)
    rate_hz = 1_536_000
    source = render(Take(almost_bare, (strum,), 0.05, chain=SILENT), rate_hz).clean
    ringing = render(Take(PICKUP, (strum,), 0.05, chain=SILENT), rate_hz).clean
    circuit = resonance(PICKUP.coil, PICKUP.load)
    w, damping = circuit.natural_rad_per_s, circuit.damping
    time_s = np.arange(len(source)) / rate_hz
    _, expected, _ = signal.lsim(([circuit.dc_gain * w**2], [1, 2 * damping * w, w**2]), source, time_s)
    assert np.max(np.abs(ringing - expected)) < 1e-4 * np.max(np.abs(expected))


def test_modes_of_a_note_stand_where_they_should_in_the_spectrum() -> None:
    clean = render(Take(PICKUP, (Strum(0.0, (None, 0, None, None, None, None)),), 4.0, chain=SILENT), 48000).clean
    spectrum = np.abs(np.fft.rfft(clean * np.hanning(len(clean))))
    for number in (1, 2, 5):
        expected_hz = 110.0 * number * np.sqrt((1 + 8e-5 * number**2) / (1 + 8e-5))
        near = np.arange(round((expected_hz - 20) * 4), round((expected_hz + 20) * 4))
        assert near[np.argmax(spectrum[near])] / 4 == pytest.approx(expected_hz, abs=0.25)


def test_usual_chord_has_the_crest_decay_and_centroid_of_a_strummed_guitar() -> None:
    """Ranges of common practice, no source: crest 10-20 dB, decay 3-20 dB/s, centroid 250-2000 Hz."""
    made = render(Take(PICKUP, (Strum(0.5),), 7.0, chain=SILENT), 48000)
    strum = made.truth.strums[0]
    assert strum.peak_dbfs is not None
    assert strum.rms_dbfs is not None
    assert strum.decay_db_per_s is not None
    assert 10 < strum.peak_dbfs - strum.rms_dbfs < 20
    assert 3 < strum.decay_db_per_s < 20
    power = np.abs(np.fft.rfft(made.clean[24000:48000])) ** 2
    frequency_hz = np.fft.rfftfreq(24000, 1 / 48000)
    assert 250 < np.sum(power * frequency_hz) / np.sum(power) < 2000


def test_muted_strum_dies_sooner_and_a_stopped_one_ends_at_the_hand() -> None:
    open_, muted = Strum(0.1), Strum(0.1, palm_db_per_s=60.0, palm_db_per_s_per_khz=60.0)
    stopped = Strum(0.1, stop_s=0.8)
    parts = {
        name: render(Take(PICKUP, (strum,), 2.0, chain=SILENT), 48000)
        for name, strum in {"open": open_, "muted": muted, "stopped": stopped}.items()
    }
    late = {name: level_db(made.clean[48000:57600]) for name, made in parts.items()}
    assert late["muted"] < late["open"] - 30
    assert late["stopped"] < late["open"] - 50
    assert parts["stopped"].truth.strums[0].ended_by == "damped"
    assert parts["stopped"].truth.strums[0].end_s == 0.8


def test_strum_that_sinks_into_noise_ends_there() -> None:
    made = render(Take(PICKUP, (Strum(0.1),), 9.0, chain=Chain(hiss_dbfs=-50.0)), 48000)
    strum = made.truth.strums[0]
    assert strum.ended_by == "noise"
    frame = made.clean[round(strum.end_s * 48000) :][:2400]
    assert level_db(frame) == pytest.approx(-44.0, abs=1.5)


def test_hum_has_the_level_asked_for_and_lines_at_the_mains_frequency() -> None:
    sound = hum(480000, 48000, hum_hz=60.0, rms_dbfs=-50.0)
    assert level_db(sound) == pytest.approx(-50.0, abs=0.01)
    spectrum = np.abs(np.fft.rfft(sound))
    assert np.argmax(spectrum) == 600


def test_preamp_evens_strums_out_and_lets_them_start_harder() -> None:
    strums = (Strum(0.2, force_db=-3.0, stop_s=2.9), Strum(3.2, force_db=3.0, stop_s=5.9))
    made = {
        name: render(Take(replace(PICKUP, preamp=preamp), strums, 6.5, chain=SILENT), 48000)
        for name, preamp in {"passive": None, "battery": Preamp(12.0, threshold_v=0.3)}.items()
    }

    def apart(name: str) -> float:
        soft, loud = (strum.rms_dbfs for strum in made[name].truth.strums)
        assert soft is not None
        assert loud is not None
        return loud - soft

    def start(name: str) -> float:
        clean = made[name].clean
        return level_db(clean[153600:158400]) - level_db(clean[158400:177600])

    assert apart("passive") == pytest.approx(6.0, abs=0.8)
    assert apart("battery") < apart("passive") - 0.7
    assert start("battery") > start("passive") + 0.2


def test_turned_polarity_turns_the_signal() -> None:
    take = Take(PICKUP, (Strum(0.1),), 0.5, chain=SILENT)
    turned = render(replace(take, chain=replace(SILENT, polarity=-1)), 48000).clean
    np.testing.assert_array_equal(turned, -render(take, 48000).clean)


def test_strums_out_of_order_are_refused_with_their_onsets() -> None:
    with pytest.raises(ValueError, match=r"in order.*\[2.0, 1.0\]"):
        render(Take(PICKUP, (Strum(2.0), Strum(1.0)), 3.0), 48000)


def test_chord_with_too_few_strings_is_refused() -> None:
    with pytest.raises(ValueError, match="names 2 strings, the guitar has 6"):
        render(Take(PICKUP, (Strum(0.1, (0, 2)),), 3.0), 48000)
