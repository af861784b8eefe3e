"""What the trade says of pickups, found in the invented shop's recordings, which are measured once.

Every tendency here is common practice, no source. The model holds them by construction; these tests say that measuring
and averaging bring them out again, over hands and plugging that scatter.
"""

from functools import cache
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from coilbench_worker.measure.results import TakeMeasurement, usable
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import ArraySource, RecordingFacts
from coilbench_worker.measure.take import measure_take
from coilbench_worker.model import shop
from coilbench_worker.model.take import render

RATE_HZ = 48_000
DEPTH = 24
FACTS = RecordingFacts("pcm_s24", "flac", DEPTH)
SETTINGS = MeasureSettings(expected_strums=shop.STRUMS)
BY_KEY = {pickup.key: pickup for pickup in shop.PICKUPS}
ACTIVE = [pickup.key for pickup in shop.PICKUPS if pickup.active]
PASSIVE = [pickup.key for pickup in shop.PICKUPS if not pickup.active]

pytestmark = pytest.mark.xdist_group("trade facts")


@cache
def session() -> dict[str, list[TakeMeasurement]]:
    """The good takes of every pickup, as their files hold them, measured."""
    steps = 2.0 ** (DEPTH - 1)
    found: dict[str, list[TakeMeasurement]] = {}
    for take in shop.takes():
        if not take.spoiled:
            samples = render(take.take, RATE_HZ).samples
            coded = np.clip(np.round(samples * steps), -steps, steps - 1) / steps
            measured = measure_take(ArraySource(coded, RATE_HZ), FACTS, SETTINGS)
            assert usable(measured.checks), take.file
            found.setdefault(str(take.about["pickup"]), []).append(measured)
    return found


def take_means(key: str, quantity: str) -> np.ndarray:
    """Mean of the strums of every take of a pickup."""
    return np.array([np.mean([strum.quantities[quantity] for strum in take.strums]) for take in session()[key]])


def mean(key: str, quantity: str) -> float:
    return float(np.mean(take_means(key, quantity)))


def of_takes(key: str, quantity: str) -> float:
    """Mean over takes of a quantity that a take has once."""
    values = [take.take_quantities[quantity] for take in session()[key]]
    return float(np.mean([value for value in values if value is not None]))


def rated_mv(key: str) -> float:
    return float(BY_KEY[key].sheet()["rated_output_mv"] or 0)


def test_battery_pickups_start_harder_than_passive_ones() -> None:
    """By the attack over the body; each pickup counts once. The crest factor does not tell them apart: it goes with the
    place more than with the battery.
    """
    active = [mean(key, "attack_body_db") for key in ACTIVE]
    passive = [mean(key, "attack_body_db") for key in PASSIVE]
    assert min(active) > max(passive)
    assert stats.ttest_ind(active, passive, equal_var=False).pvalue < 0.01


def test_battery_pickups_are_more_even_from_strum_to_strum() -> None:
    active = [of_takes(key, "evenness_db") for key in ACTIVE]
    passive = [of_takes(key, "evenness_db") for key in PASSIVE]
    print(f"\nevenness: battery {np.mean(active):.2f} dB, passive {np.mean(passive):.2f} dB")
    assert stats.ttest_ind(active, passive, equal_var=False, alternative="less").pvalue < 0.05


def test_battery_pickups_rate_and_give_the_most() -> None:
    assert all(700 <= rated_mv(key) <= 800 for key in ACTIVE)
    assert min(mean(key, "rms_dbfs") for key in ACTIVE) > max(mean(key, "rms_dbfs") for key in PASSIVE) + 3


def test_ceramic_twin_coils_without_a_battery_rate_400_to_440_millivolts() -> None:
    ceramic = [key for key in PASSIVE if BY_KEY[key].winding.magnet == "ceramic"]
    assert len(ceramic) == 2
    assert all(400 <= rated_mv(key) <= 440 for key in ceramic)


def test_rated_millivolts_are_those_that_are_measured_within_the_hand() -> None:
    """Of 12 pickups, at least 11 within three times what three takes scatter (1 dB)."""
    full_scale_db = mean("harbour-neck", "rms_dbfs") - 20 * np.log10(rated_mv("harbour-neck"))
    errors = [mean(key, "rms_dbfs") - 20 * np.log10(rated_mv(key)) - full_scale_db for key in BY_KEY]
    print(f"\nrated against measured, re the first: {np.round(errors, 2)} dB")
    assert np.sum(np.abs(errors - np.mean(errors)) < 1.0) >= 11


def test_overwound_pickup_gains_less_level_than_its_turns_and_loses_treble() -> None:
    ratio = BY_KEY["quarry-hot-neck"].winding.turns / BY_KEY["quarry-neck"].winding.turns
    gained_db = mean("quarry-hot-neck", "rms_dbfs") - mean("quarry-neck", "rms_dbfs")
    assert 1.0 < gained_db < 20 * np.log10(ratio)
    treble = [take_means(key, "treble_db") for key in ("quarry-neck", "quarry-hot-neck")]
    assert np.mean(treble[1]) < np.mean(treble[0]) - 3
    assert stats.ttest_ind(*treble, equal_var=False).pvalue < 0.01


def test_strong_magnet_gives_more_level_than_a_weak_one_and_the_same_tone() -> None:
    weak, strong = (take_means(key, "rms_dbfs") for key in ("slate-neck", "quarry-neck"))
    assert np.mean(strong) - np.mean(weak) == pytest.approx(20 * np.log10(1.2 / 0.75), abs=1.0)
    assert mean("quarry-neck", "treble_db") == pytest.approx(mean("slate-neck", "treble_db"), abs=1.5)


def test_plate_of_steel_gives_more_level_than_one_of_brass() -> None:
    steel, brass = (take_means(key, "rms_dbfs") for key in ("orchard-middle", "meadow-middle"))
    assert np.mean(steel) > np.mean(brass)
    assert stats.ttest_ind(steel, brass, alternative="greater").pvalue < 0.05


def test_single_coils_hum_more_than_twin_and_stacked_ones() -> None:
    hum = {key: [take.noise["hum_dbfs"] for take in session()[key]] for key in PASSIVE}
    singles = [key for key in PASSIVE if BY_KEY[key].winding.build.name == "single coil"]
    others = [key for key in PASSIVE if key not in singles]
    assert all(level is not None for key in singles for level in hum[key])
    least = min(level for key in singles for level in hum[key] if level is not None)
    most = max(level for key in others for level in hum[key] if level is not None)
    assert least > most + 6


def test_takes_scatter_more_than_their_strums_would_make_them() -> None:
    """What plugging again adds: without it the ratio of variances would be 1 on average."""
    between, within = [], []
    for key in PASSIVE:
        between.append(np.var(take_means(key, "rms_dbfs"), ddof=1))
        strums = [[strum.quantities["rms_dbfs"] for strum in take.strums] for take in session()[key]]
        within.append(np.mean(np.var(np.array(strums, dtype=float), axis=1, ddof=1)))
    ratio = np.mean(between) / (np.mean(within) / shop.STRUMS)
    print(f"\nbetween takes over within: F = {ratio:.2f}")
    assert ratio > 1.0


def test_true_differences_lie_in_the_intervals_as_often_as_they_should() -> None:
    """All 66 pairs of pickups, 95 % intervals of a balanced nested analysis of variance: the mean square between takes
    of one pickup is its error term. Pairs share pickups, so nine in ten must do.
    """
    levels = {key: take_means(key, "rms_dbfs") for key in BY_KEY}
    between = np.mean([np.var(means, ddof=1) for means in levels.values()])
    freedom = len(levels) * (shop.TAKES_EACH - 1)
    half = stats.t.ppf(0.975, freedom) * np.sqrt(2 * between / shop.TAKES_EACH)
    errors = [
        np.mean(levels[other]) - np.mean(levels[first]) - shop.true_difference_db(BY_KEY[first], BY_KEY[other])
        for first, other in combinations(BY_KEY, 2)
    ]
    covered = int(np.sum(np.abs(errors) <= half))
    print(f"\n{covered} of {len(errors)} true differences lie in the intervals of +- {half:.2f} dB")
    assert len(errors) == 66
    assert covered >= 0.9 * len(errors)
    assert np.max(np.abs(errors)) > half / 4  # an interval that is never missed would say too little


def test_every_level_of_a_good_take_is_that_of_the_model() -> None:
    """0.1 dB, over all takes: what scatters is the hand, not the measuring."""
    for take in shop.takes():
        if take.spoiled or not take.file.endswith("-2.flac"):
            continue
        truth = render(take.take, RATE_HZ).truth
        measured = session()[str(take.about["pickup"])][1]
        for strum, true in zip(measured.strums, truth.strums, strict=True):
            assert strum.quantities["rms_dbfs"] == pytest.approx(true.rms_dbfs, abs=0.1)
