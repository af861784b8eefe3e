"""The strum finder: what is a strum, what is not, and what a known number settles."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.strums import Finding, find_strums
from coilbench_worker.measure.survey import survey
from coilbench_worker.model.chain import hum
from coilbench_worker.model.strum import Strum, click
from material.corpus import MINOR, THREE_HIGH, hands
from material.disturbance import thumps
from material.plain_take import CHAIN, RATE_HZ, changed, plain_samples, rendered
from material.squeak import squeak
from material.tap import tap

SECONDS = 4
FRAMES = SECONDS * RATE_HZ


def find(samples: FloatArray, expected: int | None = None, rate_hz: int = RATE_HZ) -> Finding:
    channel = OneChannel(ArraySource(samples, rate_hz), 0)
    return find_strums(channel, survey(channel), expected)


def onsets_s(finding: Finding, rate_hz: int = RATE_HZ) -> list[float]:
    return [strum.onset / rate_hz for strum in finding.strums]


def hiss(rms: float, frames: int = FRAMES, seed: int = 0) -> FloatArray:
    return rms * np.random.default_rng(seed).standard_normal(frames)


def one_click(peak: float, at_s: float = 2.0, frames: int = FRAMES) -> FloatArray:
    samples = np.zeros(frames)
    samples[round(at_s * RATE_HZ)] = peak
    return samples


def pick_noise(peak: float, at_s: float, frames: int) -> FloatArray:
    """A pick touching a string, and nothing after it."""
    return peak * click(Strum(at_s, click_lead_s=0.0, seed=3), np.arange(frames) / RATE_HZ)


def rumble(rms: float, at_s: float) -> FloatArray:
    """Hiss that dies away within a quarter of a second."""
    since = np.arange(FRAMES) / RATE_HZ - at_s
    fall = np.where(since >= 0, np.exp(-np.maximum(since, 0.0) / 0.08), 0.0)
    return np.asarray(fall * hiss(rms, seed=2))


NO_STRUMS: dict[str, FloatArray] = {
    "silence": np.zeros(FRAMES),
    "hiss at -60 dBFS": hiss(1e-3),
    "hiss at -20 dBFS": hiss(0.1, seed=1),
    "50 Hz only": 0.05 * np.sin(2 * np.pi * 50 * np.arange(FRAMES) / RATE_HZ),
    "60 Hz hum and hiss": hum(FRAMES, RATE_HZ, hum_hz=60, rms_dbfs=-30) + hiss(1e-4),
    "direct current": np.full(FRAMES, 0.1),
    "direct current in hiss": np.full(FRAMES, -0.02) + hiss(1e-4),
    "direct current switched on": np.where(np.arange(FRAMES) < FRAMES // 2, 0.0, 0.1),
    "a click in silence": one_click(0.5),
    "a click in hiss": one_click(0.5) + hiss(1e-4),
    "a pick's noise in hiss": pick_noise(0.3, 2.0, FRAMES) + hiss(1e-4),
    "thumps in silence": thumps(FRAMES, RATE_HZ, (1.0, 2.5, 3.2), 0.0, 0.1),
    "thumps in hiss": thumps(FRAMES, RATE_HZ, (1.0, 2.5, 3.2), 0.0, 0.1) + hiss(1e-4),
    "loud thumps in hum": thumps(FRAMES, RATE_HZ, (1.0, 2.5), 0.0, 0.5)
    + hum(FRAMES, RATE_HZ, hum_hz=50, rms_dbfs=-60)
    + hiss(1e-4),
    "a thump that rumbles": thumps(FRAMES, RATE_HZ, (1.0,), 0.0, 0.5) + rumble(1e-3, 1.0) + hiss(1e-5),
    "hiss that swells": np.linspace(0, 1, FRAMES) * hiss(1e-2),
}


@pytest.mark.parametrize("name", NO_STRUMS)
def test_recording_without_strums_has_none(name: str) -> None:
    assert find(NO_STRUMS[name]).strums == ()


@pytest.mark.parametrize("name", NO_STRUMS)
def test_expecting_strums_invents_none(name: str) -> None:
    assert find(NO_STRUMS[name], expected=4).strums == ()


def with_disturbances() -> FloatArray:
    """Three strums; clicks in the lead-in and while strings ring, thumps 24 dB below the strums."""
    samples = plain_samples()
    clicks = one_click(0.1, 0.25, samples.size) + pick_noise(0.1, 2.0, samples.size)
    return samples + clicks + thumps(samples.size, RATE_HZ, (1.7, 4.2, 6.5), -24.0, float(np.max(np.abs(samples))))


def test_clicks_and_thumps_beside_strums_do_not_count() -> None:
    assert onsets_s(find(with_disturbances())) == pytest.approx(rendered().truth.onsets_s, abs=0.005)


@settings(max_examples=8, deadline=None)
@given(gain_db=st.floats(-30.0, 10.0), polarity=st.sampled_from([1, -1]))
def test_gain_and_polarity_change_nothing(gain_db: float, polarity: int) -> None:
    found = onsets_s(find(polarity * 10 ** (gain_db / 20) * plain_samples()))
    assert found == pytest.approx(onsets_s(find(plain_samples())), abs=0.0006)


@settings(max_examples=8, deadline=None)
@given(cut=st.integers(0, 24_000))
@example(cut=24_000)
def test_cutting_off_some_of_the_lead_in_only_moves_the_onsets(cut: int) -> None:
    """With 0.1 s of lead-in and less the predictors are fitted to what follows, and the onset is up to 2.5 ms early."""
    found = np.array(onsets_s(find(plain_samples()[cut:]))) + cut / RATE_HZ
    assert found.tolist() == pytest.approx(rendered().truth.onsets_s, abs=0.003)


@pytest.mark.parametrize("padding", ["silence", "noise"])
@pytest.mark.parametrize("seconds", [0.0031, 0.5, 5.0])
def test_padding_before_the_take_only_moves_the_onsets(padding: str, seconds: float) -> None:
    frames = round(seconds * RATE_HZ)
    lead = np.zeros(frames) if padding == "silence" else hiss(10 ** (-82 / 20), frames)
    found = np.array(onsets_s(find(np.concatenate((lead, plain_samples()))))) - frames / RATE_HZ
    assert found.tolist() == pytest.approx(rendered().truth.onsets_s, abs=0.002)


@pytest.mark.parametrize("lead_s", [0.02, 0.05, 0.08, 0.1, 0.11, 0.12, 0.13, 0.14, 0.15, 0.17, 0.2, 0.3])
def test_first_strum_soon_after_the_start_is_found_over_hum(lead_s: float) -> None:
    """Hum that is there as the file begins is no strum, even where a strum comes before it can be told from one."""
    take = changed(chain=replace(CHAIN, hum_hz=50.0, hum_dbfs=-52.0))
    cut = round((take.truth.onsets_s[0] - lead_s) * RATE_HZ)
    found = np.array(onsets_s(find(take.samples[cut:]))) + cut / RATE_HZ
    assert found.tolist() == pytest.approx(take.truth.onsets_s, abs=0.005)


def test_strums_follow_each_other_and_end_in_the_file() -> None:
    for samples in (plain_samples(), with_disturbances(), plain_samples()[:200_000]):
        strums = find(samples).strums
        assert all(strum.onset < strum.end <= samples.size for strum in strums)
        assert all(first.end <= second.onset for first, second in pairwise(strums))


def test_onsets_within_120_ms_are_one_strum() -> None:
    slow = changed(hands(3, 2.2, seed=75, spread_s=0.115, jitter_s=0.0))
    assert len(find(slow.samples).strums) == 3


def test_noise_floor_of_a_take_is_that_of_its_chain() -> None:
    floor = find(plain_samples()).noise_power
    assert floor is not None
    assert 10 * np.log10(floor) == pytest.approx(-82.0, abs=1.0)


def doubtful() -> tuple[FloatArray, tuple[float, ...]]:
    """Two strums, damped, and after each of them one of three strings so soft that it isn't taken for a strum."""
    soft = hands(2, 2.5, first_s=1.9, seed=77, frets=THREE_HIGH, forces_db=(-33.0,), jitter_s=0.0)
    loud = hands(2, 2.5, seed=76, frets=MINOR, jitter_s=0.0, stop_after_s=0.8)
    strums = tuple(sorted((*loud, *soft), key=lambda strum: strum.onset_s))
    take = changed(strums, chain=replace(CHAIN, hiss_dbfs=-95.0))
    return take.samples, take.truth.onsets_s


def test_known_number_settles_doubtful_strums() -> None:
    samples, truth_s = doubtful()
    unaided = onsets_s(find(samples))
    assert unaided == pytest.approx([truth_s[0], truth_s[2]], abs=0.005)
    assert onsets_s(find(samples, expected=4)) == pytest.approx(truth_s, abs=0.020)


@pytest.mark.parametrize("expected", [3, 4, 6])
def test_known_number_never_puts_a_click_in_a_strums_place(expected: int) -> None:
    found = onsets_s(find(with_disturbances(), expected))
    for onset_s in rendered().truth.onsets_s:
        assert any(abs(each - onset_s) < 0.005 for each in found), f"the strum at {onset_s} s is gone"


def test_known_number_that_is_too_small_leaves_the_strongest() -> None:
    """The third is 12 dB softer than the others."""
    take = changed(hands(3, 2.2, seed=78, forces_db=(0.0, 0.0, -12.0)))
    assert onsets_s(find(take.samples, expected=2)) == pytest.approx(take.truth.onsets_s[:2], abs=0.005)


def test_what_was_passed_over_is_told() -> None:
    samples, truth_s = doubtful()
    passed_over = [onset / RATE_HZ for onset in find(samples).passed_over]
    assert any(abs(onset_s - truth_s[1]) < 0.05 for onset_s in passed_over)


def with_fingers() -> FloatArray:
    """Three strums; a tap on the body a second before them and two squeaks 18 dB below while strings ring."""
    samples = np.concatenate((hiss(10 ** (-82 / 20), RATE_HZ), plain_samples()))
    greatest = float(np.max(np.abs(samples)))
    sounds = [(0.4, 0.2, tap(RATE_HZ, seed=1)), (3.2, 0.12, squeak(RATE_HZ, length_s=0.2, seed=2))]
    sounds.append((5.4, 0.12, squeak(RATE_HZ, length_s=0.1, seed=3)))
    for at_s, height, sound in sounds:
        start = round(at_s * RATE_HZ)
        samples[start : start + sound.size] += height * greatest * sound
    return samples


@pytest.mark.parametrize("expected", [None, 3, 5])
def test_taps_and_squeaks_are_no_strums_whatever_number_is_expected(expected: int | None) -> None:
    found = np.array(onsets_s(find(with_fingers(), expected))) - 1.0
    assert found.tolist() == pytest.approx(rendered().truth.onsets_s, abs=0.005)


@pytest.mark.parametrize(("gap_s", "softer_db"), [(0.4, 12.0), (0.7, 20.0), (1.5, 20.0)])
def test_soft_strums_after_loud_ones_that_ring_on_are_found(gap_s: float, softer_db: float) -> None:
    """On the same strings, so that no band becomes louder."""
    take = changed(hands(6, gap_s, seed=82, forces_db=(0.0, -softer_db), jitter_s=0.0))
    assert onsets_s(find(take.samples)) == pytest.approx(take.truth.onsets_s, abs=0.005)


@pytest.mark.parametrize("since_s", [0.3, 0.8, 1.5])
def test_strum_whose_onset_is_not_in_the_file_is_not_measured(since_s: float) -> None:
    """And its ringing is not taken for the noise, in which the others would end at once."""
    cut = round((rendered().truth.onsets_s[0] + since_s) * RATE_HZ)
    finding = find(plain_samples()[cut:])
    found = np.array(onsets_s(finding)) + cut / RATE_HZ
    assert found.tolist() == pytest.approx(rendered().truth.onsets_s[1:], abs=0.005)
    assert all(strum.end - strum.onset > RATE_HZ for strum in finding.strums)


def test_turned_polarity_is_no_strum() -> None:
    samples = plain_samples().copy()
    samples[round(4.0 * RATE_HZ) :] *= -1.0
    assert onsets_s(find(samples)) == pytest.approx(rendered().truth.onsets_s, abs=0.005)
