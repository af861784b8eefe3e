"""The invented shop: its takes hold what the demonstration promises."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from coilbench_worker.model import shop
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Rendered, Take, render
from coilbench_worker.model.winding import MAGNETS

RATE_HZ = 48000
TAKES = shop.takes()
BY_KEY = {pickup.key: pickup for pickup in shop.PICKUPS}


@lru_cache
def played(file: str) -> Rendered:
    (take,) = [take for take in TAKES if take.file == file]
    return render(take.take, RATE_HZ)


FIRST_TAKES = [take for take in TAKES if take.file.endswith("-1.flac")]


def test_every_pickup_has_three_takes_and_one_more_take_is_spoiled() -> None:
    good = [take.about["pickup"] for take in TAKES if not take.spoiled]
    assert sorted(good) == sorted(3 * [pickup.key for pickup in shop.PICKUPS])
    assert len(BY_KEY) == 12
    assert [take.file for take in TAKES if take.spoiled] == ["00-mill-bridge-first-try.flac"]
    assert len({take.file for take in TAKES}) == len({take.about["label"] for take in TAKES}) == 37


@pytest.mark.parametrize("file", [take.file for take in (TAKES[0], *FIRST_TAKES)])
def test_every_strum_has_its_level_and_decay_known_and_only_the_spoiled_take_clips(file: str) -> None:
    (take,) = [take for take in TAKES if take.file == file]
    made = played(file)
    assert len(made.truth.strums) == shop.STRUMS
    assert all(strum.rms_dbfs is not None for strum in made.truth.strums)
    assert take.spoiled or all(strum.decay_db_per_s is not None for strum in made.truth.strums)
    at_full_scale = np.abs(made.samples) >= 1.0
    assert made.truth.clipped == take.spoiled
    runs = np.flatnonzero(np.diff(at_full_scale.astype(int)) == 1)
    assert (len(runs) > 20) == take.spoiled


def test_takes_of_one_pickup_differ_by_tenths_of_a_decibel_besides_their_strums() -> None:
    """Over many drawn takes, the force that all four strums share scatters as it is told to."""
    shared = []
    for number in range(100):
        force = [strum.force_db for strum in shop.hand(number, 1)]
        shared.append(np.mean(force))
    expected = np.hypot(shop.TAKE_FORCE_DB, shop.FORCE_DB / 2)
    assert np.std(shared, ddof=1) == pytest.approx(expected, rel=0.25)


def test_true_difference_is_the_mean_that_other_hands_come_to() -> None:
    """Strokes that the reference has not seen, of two pickups at unlike places."""
    unity = Chain(full_scale_v=1.0, input_gain_db=0.0, hiss_dbfs=None, clips=False)
    first, second = BY_KEY["quarry-neck"], BY_KEY["kiln-bridge"]
    strokes = [replace(strum, onset_s=0.0, stop_s=None) for number in range(12) for strum in shop.hand(100 + number, 1)]

    def level_db(pickup: shop.ShopPickup, strum: Strum) -> float:
        made = render(Take(pickup.winding.pickup(), (strum,), 0.5, chain=unity), 24000)
        return float(10 * np.log10(np.mean(made.clean**2)))

    apart = np.array([level_db(second, strum) - level_db(first, strum) for strum in strokes])
    uncertainty = np.hypot(np.std(apart, ddof=1) / np.sqrt(len(apart)), np.std(apart, ddof=1) / np.sqrt(40))
    assert uncertainty < 0.15
    assert np.mean(apart) == pytest.approx(shop.true_difference_db(first, second), abs=3 * uncertainty)


def test_sheets_hold_what_the_trade_prints() -> None:
    """Common practice, no source."""
    sheet = {key: pickup.sheet() for key, pickup in BY_KEY.items()}
    assert sheet["harbour-neck"]["dcr_ohm"] == pytest.approx(6000, rel=0.05)
    assert sheet["mill-bridge"]["dcr_ohm"] == pytest.approx(14000, rel=0.05)
    for key in ("mill-bridge", "kiln-bridge"):
        assert sheet[key]["magnet"] == "ceramic"
        assert 400 <= sheet[key]["rated_output_mv"] <= 440
    for key in ("weir-bridge", "ferry-neck", "lock-middle"):
        assert sheet[key]["dcr_ohm"] == pytest.approx(10700, rel=0.03)
        assert 700 <= sheet[key]["rated_output_mv"] <= 800
        assert (sheet[key]["preamp_gain_db"], sheet[key]["active"]) == (18.0, True)
    assert all(one["magnet"] in MAGNETS for one in sheet.values())
    assert {one["construction"] for one in sheet.values()} == {"single coil", "humbucker", "rail", "stacked"}


def test_battery_pickups_are_not_told_apart_by_place_or_build_alone() -> None:
    active = [pickup for pickup in shop.PICKUPS if pickup.active]
    passive = [pickup for pickup in shop.PICKUPS if not pickup.active]
    assert {pickup.winding.position for pickup in active} == {pickup.winding.position for pickup in passive}
    assert {pickup.winding.build.name for pickup in active} <= {pickup.winding.build.name for pickup in passive}
    assert {pickup.winding.magnet for pickup in active} <= {pickup.winding.magnet for pickup in passive}
