"""A plain take of the string model that no check finds fault with, and what can be changed about it; each made once."""

from dataclasses import replace
from functools import lru_cache

from coilbench_worker.measure.results import Check, TakeMeasurement, Unmeasurable
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, ArraySource, FloatArray, RecordingFacts
from coilbench_worker.measure.take import measure_take
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Rendered, Take, render

from .corpus import TWIN, hands

RATE_HZ = 48_000
CHAIN = Chain(input_gain_db=8.0, hiss_dbfs=-82.0)
STRUMS = hands(3, 2.2, seed=70)
PLAIN = Take(TWIN, STRUMS, 8.0, chain=CHAIN, seed=70)


@lru_cache(maxsize=24)
def rendered(take: Take = PLAIN, rate_hz: int = RATE_HZ) -> Rendered:
    """Samples and truth of a take; the samples are shared and can't be written to."""
    made = render(take, rate_hz)
    made.samples.flags.writeable = False
    made.clean.flags.writeable = False
    return made


def plain_samples() -> FloatArray:
    """The plain take: three strums within 8 s at 48 kHz, peak -6.8 dBFS, noise -82 dBFS; shape (384000,)."""
    return rendered().samples


def changed(strums: tuple[Strum, ...] = STRUMS, *, tail_s: float = 3.0, chain: Chain = CHAIN) -> Rendered:
    """The plain take with other strums or through another chain."""
    return rendered(replace(PLAIN, strums=strums, duration_s=strums[-1].onset_s + tail_s, chain=chain))


def measured(
    samples: FloatArray,
    rate_hz: int = RATE_HZ,
    *,
    facts: RecordingFacts = FLOAT_FACTS,
    settings: MeasureSettings | None = None,
) -> TakeMeasurement:
    """The measurement of samples of shape (n,) or (n, channels)."""
    return measure_take(ArraySource(samples, rate_hz), facts, settings or MeasureSettings())


@lru_cache(maxsize=1)
def plain_measurement() -> TakeMeasurement:
    """The measurement of the plain take."""
    return measured(plain_samples())


def checks_of(
    samples: FloatArray,
    rate_hz: int = RATE_HZ,
    *,
    facts: RecordingFacts = FLOAT_FACTS,
    settings: MeasureSettings | None = None,
) -> tuple[Check, ...]:
    """The checks of a recording, measured or not."""
    try:
        return measured(samples, rate_hz, facts=facts, settings=settings).checks
    except Unmeasurable as refused:
        return refused.checks
