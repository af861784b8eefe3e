"""Windows over a stream: the same whatever the blocks, and padded with silence at the end only."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.windows import Windows


@settings(max_examples=40, deadline=None)
@given(
    sizes=st.lists(st.integers(0, 700), min_size=1, max_size=12),
    step=st.integers(1, 20),
    overlap=st.integers(0, 40),
)
def test_windows_do_not_depend_on_the_blocks(sizes: list[int], step: int, overlap: int) -> None:
    length = step + overlap
    samples = np.random.default_rng(4).standard_normal(sum(sizes)).astype(np.float32)
    windows = Windows(length, step)
    given_out = [windows.feed(block) for block in np.split(samples, np.cumsum(sizes)[:-1])]
    total = samples.size // step + 3
    found = np.concatenate((*given_out, windows.rest(total)))
    padded = np.concatenate((samples, np.zeros(length + 4 * step, dtype=np.float32)))
    expected = [padded[at * step : at * step + length] for at in range(total)]
    np.testing.assert_array_equal(found[:total], expected)


def test_few_samples_give_nothing_until_the_end() -> None:
    windows = Windows(4, 2)
    assert windows.feed(np.ones(20, dtype=np.float32)).shape == (0, 4)
    assert windows.rest(9).shape == (9, 4)


@pytest.mark.parametrize("total", [1, 3])
def test_stream_of_nothing_is_silence(total: int) -> None:
    np.testing.assert_array_equal(Windows(4, 2).rest(total), np.zeros((total, 4)))
