"""Sources of samples: blocks follow each other without gap, segments are what they say."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.source import BLOCK_FRAMES, ArraySource, OneChannel


@pytest.mark.parametrize("frames", [1, BLOCK_FRAMES - 1, BLOCK_FRAMES, BLOCK_FRAMES + 1, 3 * BLOCK_FRAMES + 7])
@pytest.mark.parametrize("channels", [1, 2])
def test_blocks_joined_are_the_recording(frames: int, channels: int) -> None:
    samples = np.arange(float(frames * channels)).reshape(frames, channels)
    blocks = list(ArraySource(samples, 48_000).blocks())
    assert all(block.shape[1] == channels and 0 < block.shape[0] <= BLOCK_FRAMES for block in blocks)
    np.testing.assert_array_equal(np.concatenate(blocks), samples)


def test_recording_without_samples_has_no_blocks() -> None:
    source = ArraySource(np.zeros(0), 48_000)
    assert (source.frames, source.channels, list(source.blocks())) == (0, 1, [])


def test_one_dimensional_samples_are_one_channel() -> None:
    source = ArraySource(np.array([0.1, 0.2, 0.3]), 8_000)
    assert (source.channels, source.frames, source.rate_hz) == (1, 3, 8_000)
    np.testing.assert_array_equal(source.segment(1, 3), [[0.2], [0.3]])


@settings(max_examples=50, deadline=None)
@given(start=st.integers(-20, 120), stop=st.integers(-20, 120))
def test_segment_of_one_channel_is_clipped_to_the_recording(start: int, stop: int) -> None:
    samples = np.random.default_rng(1).standard_normal((100, 2))
    part = OneChannel(ArraySource(samples, 48_000), 1).segment(start, stop)
    np.testing.assert_array_equal(part, samples[max(start, 0) : max(min(stop, 100), 0), 1])


def test_one_channel_goes_through_the_recording_in_the_same_blocks() -> None:
    samples = np.random.default_rng(2).standard_normal((BLOCK_FRAMES + 10, 3))
    channel = OneChannel(ArraySource(samples, 44_100), 2)
    assert (channel.rate_hz, channel.frames) == (44_100, BLOCK_FRAMES + 10)
    np.testing.assert_array_equal(np.concatenate(list(channel.blocks())), samples[:, 2])
