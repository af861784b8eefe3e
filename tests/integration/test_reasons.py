"""Every quantity that is empty says why: in takes that are short, quiet, noisy, faded, gated, offset, slow or odd, and
with windows that are not the usual ones.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest

from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.results import Strum, TakeMeasurement, Unmeasurable
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, FloatArray, RecordingFacts
from coilbench_worker.model.chain import Chain
from material.corpus import hands
from material.plain_take import CHAIN, PLAIN, RATE_HZ, measured, plain_samples, rendered

pytestmark = pytest.mark.xdist_group("reasons")

SIXTEEN = RecordingFacts("pcm_s16", "wav", 16)
DEFAULTS = MeasureSettings()


@dataclass(frozen=True)
class Ugly:
    """One take that leaves something empty, and how it is measured."""

    samples: FloatArray
    rate_hz: int = RATE_HZ
    facts: RecordingFacts = FLOAT_FACTS
    settings: MeasureSettings = DEFAULTS


def seconds(start_s: float, stop_s: float) -> FloatArray:
    return plain_samples()[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)]


def noisy(below_full_scale_db: float, rate_hz: int = RATE_HZ) -> FloatArray:
    return rendered(replace(PLAIN, chain=replace(CHAIN, hiss_dbfs=-below_full_scale_db)), rate_hz).samples


def faded(fade_s: float) -> FloatArray:
    samples = plain_samples().copy()
    count = round(fade_s * RATE_HZ)
    samples[-count:] *= np.linspace(1, 0, count)
    return samples


def sixteen_bits(samples: FloatArray) -> FloatArray:
    return np.round(samples * 32768) / 32768


def two_channels() -> FloatArray:
    return np.stack((plain_samples(), 0.3 * plain_samples()), axis=1)


def muted() -> FloatArray:
    strums = hands(3, 1.5, seed=5, stop_after_s=0.3)
    return rendered(replace(PLAIN, strums=strums, duration_s=5.0, chain=CHAIN)).samples


def hummed() -> FloatArray:
    return rendered(replace(PLAIN, chain=Chain(input_gain_db=8.0, hum_hz=50.0, hum_dbfs=-40.0))).samples


def odd_windows() -> Iterator[tuple[str, MeasureSettings]]:
    for level in ((0.0, 0.05), (0.3, 0.4), (0.0, 2.5), (1.0, 3.0), (5.0, 7.5)):
        yield f"level window {level}", MeasureSettings(level_window_s=level)
    for attack in ((0.05, 0.06), (0.5, 1.0), (2.0, 9.0)):
        yield f"attack window {attack}", MeasureSettings(attack_window_s=attack)
    for body in ((0.0, 0.01), (2.0, 4.0), (6.0, 7.9)):
        yield f"body window {body}", MeasureSettings(body_window_s=body)


def uglies() -> Iterator[tuple[str, Callable[[], Ugly]]]:
    yield "one strum, cut after 0.2 s", lambda: Ugly(seconds(0, 0.8))
    yield "one strum, cut after 0.7 s", lambda: Ugly(seconds(0, 1.3))
    yield "one strum, cut after 1 s", lambda: Ugly(seconds(0, 1.6))
    yield "begins in a strum", lambda: Ugly(seconds(0.85, 8))
    yield "begins with a strum", lambda: Ugly(seconds(0.6, 8))
    yield "begins with a strum and stops", lambda: Ugly(seconds(0.6, 1.4))
    yield "muted strums", lambda: Ugly(muted())
    yield "noise 45 dB below full scale", lambda: Ugly(noisy(45))
    yield "noise 38 dB below full scale", lambda: Ugly(noisy(38))
    yield "noise 33 dB below full scale", lambda: Ugly(noisy(33))
    yield "much hum", lambda: Ugly(hummed())
    yield "faded out for 1 s", lambda: Ugly(faded(1.0))
    yield "faded out for 3 s", lambda: Ugly(faded(3.0))
    yield "gated", lambda: Ugly(np.where(np.abs(plain_samples()) > 0.01, plain_samples(), 0.0), facts=SIXTEEN)
    yield "silence around the strums", lambda: Ugly(np.concatenate((np.zeros(RATE_HZ // 2), seconds(0.55, 6))))
    yield "very quiet in 16 bits", lambda: Ugly(sixteen_bits(plain_samples() * 3e-3), facts=SIXTEEN)
    yield "all but silent in floating point", lambda: Ugly(plain_samples() * 1e-7)
    yield "far beyond full scale", lambda: Ugly(plain_samples() * 1e6)
    yield "one bit", lambda: Ugly(np.sign(plain_samples()) * (np.abs(plain_samples()) > 0.1))
    yield "half of full scale of offset", lambda: Ugly(plain_samples() + 0.5)
    yield "the softer channel of two", lambda: Ugly(two_channels(), settings=MeasureSettings(channel=2))
    for rate_hz in (8_000, 22_050, 32_000):
        yield f"{rate_hz} Hz", lambda rate_hz=rate_hz: Ugly(rendered(PLAIN, rate_hz).samples, rate_hz)
    for name, settings in odd_windows():
        yield name, lambda settings=settings: Ugly(plain_samples(), settings=settings)


UGLY = dict(uglies())


def columns(strum: Strum) -> dict[str, float | None]:
    """Everything measured of a strum, by key of its column."""
    found = dict(strum.quantities)
    for quantity in QUANTITIES:
        if quantity.of == "strum" and quantity.parts:
            values = getattr(strum, quantity.key)
            found |= {f"{quantity.key}_{part}": values[part] for part in quantity.parts}
    return found


@lru_cache(maxsize=64)
def measurement(name: str) -> TakeMeasurement:
    ugly = UGLY[name]()
    return measured(ugly.samples, ugly.rate_hz, facts=ugly.facts, settings=ugly.settings)


@pytest.mark.parametrize("name", UGLY)
def test_every_empty_quantity_says_why_and_no_other(name: str) -> None:
    found = measurement(name)
    for strum in found.strums:
        assert_told(columns(strum), dict(strum.reasons))
    assert_told({**found.take_quantities, **found.noise}, dict(found.reasons))


def assert_told(values: dict[str, float | None], reasons: dict[str, str]) -> None:
    """A sentence for every None and for nothing else: no code, no number in scientific notation, no full stop."""
    assert {key for key, value in values.items() if value is None} == set(reasons)
    for key, reason in reasons.items():
        assert len(reason.split()) >= 3, key
        assert reason[-1] not in ".: ", key
        assert "nan" not in reason.lower().split(), key
        assert "e-" not in reason.replace("fade-out", ""), (key, reason)


def test_the_ugly_takes_leave_something_of_every_kind_empty() -> None:
    """Or the test above would hold nothing: only the offset is always known."""
    empty: set[str] = set()
    known: set[str] = set()
    for name in UGLY:
        found = measurement(name)
        for strum in found.strums:
            empty |= set(strum.reasons)
            known |= set(columns(strum))
        empty |= set(found.reasons)
        known |= set(found.take_quantities) | set(found.noise)
    assert known - empty == {"dc_offset"}


@pytest.mark.parametrize("name", ["attack window (0.5, 1.0)", "body window (2.0, 4.0)", "level window (0.3, 0.4)"])
def test_reasons_of_windows_that_are_not_the_usual_ones_name_no_usual_window(name: str) -> None:
    reasons = [reason for strum in measurement(name).strums for reason in strum.reasons.values()]
    assert reasons
    assert not any("0.5 s" in reason or "first" in reason for reason in reasons)


def test_take_without_a_strum_is_no_measurement() -> None:
    with pytest.raises(Unmeasurable):
        measured(seconds(0, 0.55))
