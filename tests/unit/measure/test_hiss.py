"""The level between 10 and 20 kHz: right for white noise, deaf for strings, the same for all blocks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.hiss import Hiss, HissCourse
from coilbench_worker.measure.source import FloatArray


def course_of(
    samples: FloatArray, rate_hz: int, bits: int | None = None, cuts: tuple[int, ...] = ()
) -> HissCourse | None:
    hiss = Hiss(rate_hz, bits)
    for block in np.split(samples, cuts):
        hiss.feed(block)
    return hiss.course()


def white(seconds: float, rate_hz: int) -> FloatArray:
    return np.random.default_rng(8).standard_normal(round(seconds * rate_hz))


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000, 96_000, 192_000])
def test_white_noise_gives_its_share_of_the_band(rate_hz: int) -> None:
    """Closed form: power in proportion to width, 10 kHz to the lower of 20 kHz and 0.45 of the rate; 0.7 dB, as the
    band ends at whole bins of 375 Hz.
    """
    found = course_of(0.1 * white(8.0, rate_hz), rate_hz)
    assert found is not None
    share = (min(20_000.0, 0.45 * rate_hz) - 10_000.0) / (rate_hz / 2)
    assert 10 * np.log10(found.power.mean()) == pytest.approx(-20 + 10 * np.log10(share), abs=0.7)
    assert found.power.size == pytest.approx(8.0 / found.step_s, abs=1)
    assert np.std(10 * np.log10(found.power)) < (2.5 if rate_hz == 32_000 else 1.7)


def test_strings_do_not_leak_into_it() -> None:
    time_s = np.arange(96_000) / 48_000
    strings = sum(0.2 / n * np.sin(2 * np.pi * 110 * n * time_s) for n in range(1, 40))
    found = course_of(np.asarray(strings), 48_000)
    assert found is not None
    assert 10 * np.log10(found.power.max()) < -100


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 20_000), max_size=30))
def test_blocks_do_not_matter(cuts: list[int]) -> None:
    samples = white(20_000 / 48_000, 48_000)
    whole, split = course_of(samples, 48_000), course_of(samples, 48_000, cuts=tuple(sorted(cuts)))
    assert whole is not None
    assert split is not None
    np.testing.assert_allclose(split.power, whole.power, rtol=1e-4)


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 24_000])
def test_low_rates_have_no_room(rate_hz: int) -> None:
    assert course_of(white(1.0, rate_hz), rate_hz) is None


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_floor_lies_above_rounding_with_dither(bits: int) -> None:
    """Source: rounding to steps of q adds q^2/12, triangular dither twice that (AES17, from memory)."""
    steps = 2.0 ** (bits - 1)
    random = np.random.default_rng(3)
    dither = random.uniform(-0.5, 0.5, 96_000) + random.uniform(-0.5, 0.5, 96_000)
    found = course_of(np.round(dither) / steps, 48_000, bits)
    assert found is not None
    assert found.floor > 0.8 * found.power.mean()


def test_recording_shorter_than_a_piece_has_none() -> None:
    found = course_of(np.zeros(50), 48_000)
    assert found is not None
    assert found.power.size == 0
