"""Every check on a whole take: one that raises it and one that just doesn't, with message, numbers and severity; and
how often takes drawn at random are blamed, clean and processed ones.

python -m bench --part judgement draws a thousand and more.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from math import inf

import numpy as np
import pytest
from scipy.stats import binom

from coilbench_worker.measure.calibration import calibration_state
from coilbench_worker.measure.checks import CHECKS, check_kind
from coilbench_worker.measure.description import description_checks
from coilbench_worker.measure.results import Check, check_document, usable
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, FloatArray, RecordingFacts
from material.corpus import hands
from material.plain_take import (
    CHAIN,
    PLAIN,
    RATE_HZ,
    changed,
    checks_of,
    measured,
    plain_measurement,
    plain_samples,
    rendered,
)
from material.processing import Compressor, Gate, OverdrivenInput, converter_hiss
from material.variety import KINDS, Drawn, Kind, drawn

SIXTEEN = RecordingFacts("pcm_s16", "wav", 16)
Checks = tuple[Check, ...]


def decibels(level_db: float) -> float:
    return float(10 ** (level_db / 20))


def peak_dbfs() -> float:
    return float(20 * np.log10(np.max(np.abs(plain_samples()))))


def strums_dbfs() -> float:
    levels = [strum.quantities["rms_dbfs"] for strum in plain_measurement().strums]
    return float(np.mean([level for level in levels if level is not None]))


def at_peak(level_dbfs: float) -> Checks:
    return checks_of(plain_samples() * decibels(level_dbfs - peak_dbfs()))


def with_zeros(seconds: float) -> Checks:
    samples = plain_samples().copy()
    samples[round(2.3 * RATE_HZ) : round((2.3 + seconds) * RATE_HZ)] = 0.0
    return checks_of(samples)


def with_sample(value: float) -> Checks:
    samples = plain_samples().copy()
    samples[200_000] = value
    return checks_of(samples)


def beside(level_db: float) -> Checks:
    other = decibels(level_db) * np.roll(plain_samples(), 4800)
    return checks_of(np.stack((plain_samples(), other), axis=1))


def through(processor: Compressor | Gate | OverdrivenInput) -> Checks:
    return checks_of(processor.processed(plain_samples(), RATE_HZ))


def played(count: int, gap_s: float, *forces_db: float) -> Checks:
    strums = hands(count, gap_s, seed=80, forces_db=forces_db or (0.0,), jitter_s=0.0)
    return checks_of(changed(strums).samples)


def hissing(below_db: float) -> Checks:
    return checks_of(changed(chain=replace(CHAIN, hiss_dbfs=strums_dbfs() - below_db)).samples)


def humming(below_db: float) -> Checks:
    return checks_of(changed(chain=replace(CHAIN, hum_hz=50.0, hum_dbfs=strums_dbfs() - below_db)).samples)


def expecting(count: int) -> Checks:
    return checks_of(plain_samples(), settings=MeasureSettings(expected_strums=count))


def truncated(missing: int) -> Checks:
    facts = replace(SIXTEEN, declared_frames=500_000, truncated=missing > 0, missing_bytes=missing)
    return checks_of(np.round(plain_samples() * 32768) / 32768, facts=facts)


ON_DESK = {"chain": "desk", "input_gain_db": 3.0}
ON_NOTHING = {"input_gain_db": 3.0}

EXAMPLES: dict[str, tuple[Callable[[], Checks], Callable[[], Checks]]] = {
    "clipped": (lambda: through(OverdrivenInput(0.6 * decibels(peak_dbfs()))), lambda: at_peak(-0.01)),
    "dc-offset": (
        lambda: checks_of(plain_samples() + decibels(-59.5)),
        lambda: checks_of(plain_samples() + decibels(-60.5)),
    ),
    "hum": (lambda: humming(48.0), lambda: humming(52.0)),
    "noisy": (lambda: hissing(39.0), lambda: hissing(41.0)),
    "too-quiet": (lambda: at_peak(-40.5), lambda: at_peak(-39.5)),
    "strum-count": (lambda: expecting(4), lambda: expecting(3)),
    "no-strums": (lambda: checks_of(converter_hiss(96_000, -50.0, 1)), lambda: checks_of(plain_samples())),
    "strum-cut-short": (lambda: played(4, 0.86), lambda: played(4, 0.96)),
    "uneven-strums": (lambda: played(4, 2.0, 0.0, -5.0), lambda: played(4, 2.0, 0.0, -1.0)),
    "digital-silence": (lambda: with_zeros(0.056), lambda: with_zeros(0.032)),
    "limited": (lambda: through(Compressor(peak_dbfs() - 15, inf)), lambda: through(Compressor(peak_dbfs() - 15, 1.5))),
    "too-short": (lambda: checks_of(plain_samples()[28_800:52_700]), lambda: checks_of(plain_samples()[28_800:52_900])),
    "channel-choice": (lambda: beside(-38.0), lambda: checks_of(plain_samples())),
    "not-finite": (lambda: with_sample(np.nan), lambda: with_sample(100.0)),
    "truncated-file": (lambda: truncated(2), lambda: truncated(0)),
    "low-sample-rate": (
        lambda: checks_of(rendered(PLAIN, 39_000).samples, 39_000),
        lambda: checks_of(rendered(PLAIN, 40_000).samples, 40_000),
    ),
    "gain-unknown": (lambda: description_checks({}), lambda: description_checks({"input_gain_db": 0.0})),
    "gain-uncalibrated": (
        lambda: description_checks(ON_DESK, calibration_state(ON_DESK, None)),
        lambda: description_checks(ON_NOTHING, calibration_state(ON_NOTHING, None)),
    ),
}

WITHOUT_NUMBERS = {"gain-unknown"}
OF_STRUMS_OR_TIMES = {
    "clipped", "strum-count", "strum-cut-short", "uneven-strums", "digital-silence", "limited", "not-finite"
}  # fmt: skip
"""The others are of the take as a whole."""


@lru_cache(maxsize=40)
def example(code: str, raises: bool) -> Checks:
    return EXAMPLES[code][0 if raises else 1]()


def test_there_is_an_example_of_every_check() -> None:
    assert set(EXAMPLES) == {kind.code for kind in CHECKS}


@pytest.mark.parametrize("code", EXAMPLES)
def test_check_is_raised_on_one_side_of_its_limit_and_not_on_the_other(code: str) -> None:
    assert [check.code for check in example(code, True)].count(code) == 1
    assert code not in {check.code for check in example(code, False)}


@pytest.mark.parametrize("code", EXAMPLES)
def test_check_says_what_was_found_with_its_numbers_and_what_to_do(code: str) -> None:
    (check,) = (check for check in example(code, True) if check.code == code)
    kind = check_kind(code)
    assert check.severity in kind.severities
    assert check.message.endswith(f". {kind.advice}")
    finding = check.message.removesuffix(f" {kind.advice}")
    assert finding[0].isupper() or finding[0].isdigit()
    document = check_document(check)
    numbers = {name: value for name, value in document["values"].items() if isinstance(value, (int, float))}
    assert bool(numbers) is (code not in WITHOUT_NUMBERS), document["values"]
    assert (any(character.isdigit() for character in finding)) is (code not in {*WITHOUT_NUMBERS, "gain-uncalibrated"})
    assert bool(check.strums or check.times_s) is (code in OF_STRUMS_OR_TIMES)
    assert all(number >= 1 for number in check.strums)


@pytest.mark.parametrize("code", EXAMPLES)
def test_take_is_usable_unless_a_check_rejects_it(code: str) -> None:
    checks = example(code, True)
    assert usable(checks) is ("reject" not in {check.severity for check in checks})
    if check_kind(code).severities == ("reject",):
        assert not usable(checks)
    if "reject" not in check_kind(code).severities:
        assert usable(tuple(check for check in checks if check.code == code))


def test_without_a_quiet_stretch_neither_hum_nor_noise_are_claimed() -> None:
    """The strings ring from the first sample to the last; there is hum, and none of it is known."""
    chain = replace(CHAIN, hum_hz=50.0, hum_dbfs=-45.0)
    made = changed(hands(6, 1.0, first_s=0.05, seed=80), tail_s=0.9, chain=chain).samples[2_000:]
    found = measured(made)
    assert found.noise["noise_dbfs"] is None
    assert not {"hum", "noisy"} & {check.code for check in found.checks}


def test_crests_cut_before_the_converter_are_never_a_reject() -> None:
    """They may be the pickup's own electronics, which the take shows truly."""
    (check,) = (check for check in example("clipped", True) if check.code == "clipped")
    assert check.values["place"] == "below full scale"
    assert check.severity == "caution"
    assert usable((check,))


def test_two_strums_are_too_few_to_be_uneven_and_one_to_be_limited() -> None:
    assert "uneven-strums" not in {check.code for check in played(2, 2.0, 0.0, -10.0)}
    one = changed(hands(1, 1.0, seed=80), tail_s=4.0).samples
    held = Compressor(float(20 * np.log10(np.max(np.abs(one)))) - 20, inf).processed(one, RATE_HZ)
    assert "limited" not in {check.code for check in checks_of(held)}


@pytest.mark.parametrize("bits", [8, 16])
def test_loud_take_that_fills_its_codes_is_not_called_clipped(bits: int) -> None:
    steps = 2.0 ** (bits - 1)
    full = np.clip(np.round(plain_samples() * decibels(-peak_dbfs()) * steps), -steps, steps - 1) / steps
    found = checks_of(full, facts=RecordingFacts(f"pcm_{bits}", "wav", bits))
    assert "clipped" not in {check.code for check in found}


def test_fade_out_is_not_called_a_compressor_or_gate() -> None:
    samples = plain_samples().copy()
    samples[-48_000:] *= np.linspace(1.0, 0.0, 48_000)
    assert "limited" not in {check.code for check in checks_of(samples)}


def test_gate_of_every_strum_is_told_by_where_the_hiss_goes() -> None:
    made = changed(chain=replace(CHAIN, hiss_dbfs=-66.0)).samples
    gated = Gate(-22.0, range_db=25.0).processed(made, RATE_HZ) + converter_hiss(made.size, -110.0, 3)
    (check,) = (check for check in checks_of(gated) if check.code == "limited")
    assert len(check.strums) >= 2
    assert check.values["gate_drop_db"] == pytest.approx(25.0, abs=1.5)
    assert check.times_s


CLEAN_EACH = 20
FALSE_ALARM_RATE = 0.01
PROCESSED = 15
UNLUCKY = 0.005


def codes(samples: FloatArray, rate_hz: int, facts: RecordingFacts = FLOAT_FACTS) -> set[str]:
    return {check.code for check in checks_of(samples, rate_hz, facts=facts)}


@pytest.mark.parametrize("kind", KINDS)
def test_clean_takes_are_hardly_ever_blamed(kind: Kind) -> None:
    """One more than a rate of 1 % gives in all but one of 200 such draws would show here."""
    most = int(binom.isf(UNLUCKY, CLEAN_EACH, FALSE_ALARM_RATE))
    found = []
    for seed in range(3_000_000, 3_000_000 + CLEAN_EACH):
        take = drawn(kind, seed)
        found.append(codes(take.samples(), take.rate_hz))
    for code in ("limited", "clipped"):
        blamed = sum(code in each for each in found)
        print(f"{code}, {kind}: {blamed} of {CLEAN_EACH} clean takes blamed")
        assert blamed <= most


def compressed(ratio: float, reduction_db: float) -> Callable[[Drawn], FloatArray]:
    over_db = reduction_db / (1 - 1 / ratio)
    return lambda take: Compressor(take.peak_dbfs - over_db, ratio).processed(take.samples(), take.rate_hz)


def overdriven(over_db: float) -> Callable[[Drawn], FloatArray]:
    def made(take: Drawn) -> FloatArray:
        samples = take.samples()
        ceiling = float(np.max(np.abs(samples))) * decibels(-over_db)
        return OverdrivenInput(ceiling).processed(samples, take.rate_hz, take.seed)

    return made


RATES: Mapping[str, tuple[str, Callable[[Drawn], FloatArray], float]] = {
    "limiter, 20 dB": ("limited", compressed(inf, 20.0), 0.85),
    "8:1, 15 dB": ("limited", compressed(8.0, 15.0), 0.75),
    "4:1, 12 dB": ("limited", compressed(4.0, 12.0), 0.4),
    "overdriven by 4 dB": ("clipped", overdriven(4.0), 0.9),
}
"""What is seen, and how often, by the bench."""


@pytest.mark.parametrize("what", RATES)
def test_processed_takes_are_told_as_often_as_stated(what: str) -> None:
    """Fewer than in all but one of 200 draws at the stated rate would show here."""
    code, process, rate = RATES[what]
    seen = 0
    for number in range(PROCESSED):
        kind: Kind = "battery" if number % 2 else "passive"
        take = drawn(kind, 4_000_000 + number, gaps_s=(1.5, 4.0), plain=True)
        seen += code in codes(process(take), take.rate_hz)
    print(f"{what}: {seen} of {PROCESSED} seen")
    assert seen >= binom.ppf(UNLUCKY, PROCESSED, rate)
