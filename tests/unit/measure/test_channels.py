"""Choosing the channel: the only one with signal, or one of alike ones, or none without being told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.channels import choose_channel
from coilbench_worker.measure.results import Unmeasurable
from coilbench_worker.measure.source import BLOCK_FRAMES, ArraySource, FloatArray

RANDOM = np.random.default_rng(4)
SIGNAL = 0.2 * RANDOM.standard_normal(BLOCK_FRAMES + 1000)
OTHER = 0.2 * RANDOM.standard_normal(SIGNAL.size)
HISS = 1e-4 * RANDOM.standard_normal(SIGNAL.size)


def source(*channels: FloatArray) -> ArraySource:
    return ArraySource(np.stack(channels, axis=1), 48_000)


@pytest.mark.parametrize(("wanted", "count"), [(None, 1), (1, 1), (2, 2), (1, 2), (3, 3)])
def test_single_channel_or_the_one_asked_for_is_taken_without_a_note(wanted: int | None, count: int) -> None:
    channel, noted = choose_channel(source(*[SIGNAL, OTHER, HISS][:count]), wanted)
    assert channel.index == (wanted or 1) - 1
    assert noted == ()


@pytest.mark.parametrize("at", [0, 1, 2])
def test_only_channel_with_signal_is_found_wherever_it_is(at: int) -> None:
    channels = [HISS, HISS[::-1], np.zeros(HISS.size)]
    channels[at] = SIGNAL
    channel, (note,) = choose_channel(source(*channels), None)
    assert channel.index == at
    assert (note.code, note.severity) == ("channel-choice", "note")
    assert dict(note.values) == {"channel_used": at + 1, "channels": 3}


def test_offset_is_no_signal() -> None:
    channel, (note,) = choose_channel(source(HISS + 0.5, SIGNAL), None)
    assert channel.index == 1
    assert note.severity == "note"


@settings(max_examples=20, deadline=None)
@given(polarity=st.sampled_from([1.0, -1.0]), gain_db=st.floats(-60.0, 10.0))
def test_channels_alike_give_the_first_even_with_turned_polarity(polarity: float, gain_db: float) -> None:
    gain = 10 ** (gain_db / 20)
    channel, (note,) = choose_channel(source(gain * SIGNAL, polarity * gain * SIGNAL), None)
    assert channel.index == 0
    assert note.severity == "note"
    assert "same signal" in note.message


@pytest.mark.parametrize(
    "second",
    [OTHER, SIGNAL + 0.1 * OTHER, 0.5 * SIGNAL, np.roll(SIGNAL, 3), 0.02 * OTHER],
    ids=["another", "with some of another", "half as loud", "three samples late", "34 dB lower"],
)
def test_channels_that_differ_are_refused_until_one_is_named(second: FloatArray) -> None:
    with pytest.raises(Unmeasurable) as caught:
        choose_channel(source(SIGNAL, second), None)
    reject = caught.value.checks[-1]
    assert (reject.code, reject.severity) == ("channel-choice", "reject")
    assert "`channel`" in reject.message
    assert choose_channel(source(SIGNAL, second), 2)[0].index == 1


def test_channel_that_does_not_exist_is_refused_with_both_numbers() -> None:
    with pytest.raises(Unmeasurable, match=r"Channel 3 was asked for and the file has 2") as caught:
        choose_channel(source(SIGNAL, HISS), 3)
    assert dict(caught.value.checks[-1].values) == {"wanted": 3, "channels": 2}


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e20, -1e300])
@pytest.mark.parametrize("at", [0, 100, BLOCK_FRAMES, SIGNAL.size - 1])
def test_first_sample_that_is_no_number_is_told(value: float, at: int) -> None:
    spoiled = SIGNAL.copy()
    spoiled[at:] = value
    with pytest.raises(Unmeasurable) as caught:
        choose_channel(source(spoiled, SIGNAL), None)
    reject = caught.value.checks[-1]
    assert (reject.code, reject.severity) == ("not-finite", "reject")
    assert list(reject.times_s) == pytest.approx([at / 48_000])


def test_32_bit_integers_left_unscaled_are_let_through() -> None:
    assert choose_channel(source(2.0**31 * SIGNAL), None)[0].index == 0


def test_channel_not_asked_for_may_hold_anything() -> None:
    channel, noted = choose_channel(source(SIGNAL, np.full(SIGNAL.size, np.nan)), 1)
    assert (channel.index, noted) == (0, ())


def test_silent_channels_are_alike() -> None:
    channel, (note,) = choose_channel(source(np.zeros(100), np.zeros(100)), None)
    assert channel.index == 0
    assert note.severity == "note"
