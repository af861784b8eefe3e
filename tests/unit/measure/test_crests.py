"""Crests: round ones are a parabola, whatever the wave; cut ones stand near one level."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.crests import Crest, Crests
from coilbench_worker.measure.source import FloatArray
from material.processing import OverdrivenInput

RATE_HZ = 48_000
TIME_S = np.arange(RATE_HZ) / RATE_HZ
TONE = np.sin(2 * np.pi * 110 * TIME_S)
STRINGS = (TONE + 0.5 * np.sin(2 * np.pi * 221 * TIME_S + 1) + 0.3 * np.sin(2 * np.pi * 663 * TIME_S)) * np.exp(-TIME_S)
STRINGS /= np.max(np.abs(STRINGS))


def blunt(samples: FloatArray, sign: float = 1.0, block: int = 65_536) -> tuple[Crest, ...]:
    crests = Crests(sign)
    for start in range(0, samples.size, block):
        part = samples[start : start + block]
        crests.feed(part, float((sign * part).max()))
    return crests.blunt()


@settings(max_examples=50, deadline=None)
@given(
    partials=st.lists(
        st.tuples(st.floats(60.0, 900.0), st.floats(0.1, 1.0), st.floats(0, 6.3)), min_size=1, max_size=5
    ),
    rate_db_per_s=st.floats(0.0, 30.0),
)
def test_waves_that_no_ceiling_cut_are_round(partials: list[tuple[float, float, float]], rate_db_per_s: float) -> None:
    """Whatever their partials, and even if they never die away: at one level crest after crest, but round."""
    wave = sum(a * np.sin(2 * np.pi * f * TIME_S + p) for f, a, p in partials)
    wave = np.asarray(wave) * 10 ** (-rate_db_per_s * TIME_S / 20)
    assert blunt(wave) == ()
    assert blunt(wave, -1.0) == ()


@pytest.mark.parametrize("over_db", [2.0, 6.0, 12.0])
@pytest.mark.parametrize(
    "settings_of_input",
    [{}, {"softness": 0.05}, {"high_pass_hz": 0.5}, {"hiss_dbfs": -70.0}, {"oversampling": 1}],
    ids=["ripple", "soft", "tilted", "hiss", "plain"],
)
def test_crests_cut_before_the_converter_are_told(over_db: float, settings_of_input: dict[str, float]) -> None:
    ceiling = 0.5 * 10 ** (-over_db / 20)
    made = OverdrivenInput(ceiling, **settings_of_input).processed(0.5 * TONE, RATE_HZ)  # type: ignore[arg-type]
    found = blunt(made)
    assert len(found) > 50
    for crest in found:
        assert crest.value == pytest.approx(ceiling, rel=0.12)


def test_only_the_side_that_is_cut_is_told() -> None:
    made = OverdrivenInput(0.4, low_ceiling=2.0).processed(STRINGS, RATE_HZ)
    assert blunt(made)
    assert blunt(made, -1.0) == ()


def test_five_cut_crests_may_be_chance() -> None:
    short = np.where(TIME_S < 5 / 110, np.clip(TONE, -0.5, 0.5), 0.4 * TONE)
    assert blunt(short) == ()
    longer = np.where(TIME_S < 6 / 110, np.clip(TONE, -0.5, 0.5), 0.4 * TONE)
    assert len(blunt(longer)) == 6


def test_crests_too_brief_to_have_a_shape_are_not_judged() -> None:
    """At 7 kHz a crest has two samples within 10 %, and cut or not they look alike."""
    assert blunt(np.clip(np.sin(2 * np.pi * 7_013 * TIME_S), -0.8, 0.8)) == ()


@settings(max_examples=20, deadline=None)
@given(gain=st.floats(1e-4, 10.0), block=st.integers(3_000, 65_536))
def test_neither_gain_nor_blocks_matter(gain: float, block: int) -> None:
    cut = np.clip(TONE, -0.7, 0.7)
    assert len(blunt(gain * cut, block=block)) == pytest.approx(len(blunt(cut)), abs=RATE_HZ // block + 1)


def test_quieter_parts_neither_count_nor_take_time() -> None:
    cut = np.clip(TONE, -0.7, 0.7)
    both = np.concatenate((cut, 0.5 * STRINGS, 0.9 * cut))
    found = blunt(both, block=RATE_HZ)
    assert found
    assert max(crest.start for crest in found) < RATE_HZ


def test_silence_has_no_crests() -> None:
    assert blunt(np.zeros(1000)) == ()


def test_tops_that_lean_by_more_than_two_in_a_hundred_are_not_told() -> None:
    """A limit: coupled at 3 Hz, the tops of a cut 110 Hz lean by 6 %, and no longer stand near one level."""
    made = OverdrivenInput(0.25, high_pass_hz=3.0).processed(0.5 * TONE, RATE_HZ)
    assert blunt(made) == ()


def test_an_hour_of_cut_crests_is_not_kept() -> None:
    crests = Crests()
    for _ in range(200):
        crests.feed(np.clip(TONE, -0.7, 0.7), 0.7)
    assert 10_000 <= len(crests.blunt()) < 10_200
