"""The invented shop: its takes hold what the demonstration promises."""

import numpy as np
import pytest

from coilbench_worker.model import shop
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Rendered, Take, render

RATE_HZ = 48000


@pytest.fixture(scope="module")
def session() -> dict[str, tuple[shop.ShopTake, Rendered]]:
    return {take.file: (take, render(take.take, RATE_HZ)) for take in shop.takes()}


def mean_level_db(made: Rendered) -> float:
    levels = [strum.rms_dbfs for strum in made.truth.strums]
    assert None not in levels
    return float(np.mean([level for level in levels if level is not None]))


def of(session: dict[str, tuple[shop.ShopTake, Rendered]], key: str) -> Rendered:
    (found,) = [made for take, made in session.values() if take.about["pickup"] == key and not take.spoiled]
    return found


def test_eight_pickups_have_a_take_each_and_one_more_take_is_spoiled(
    session: dict[str, tuple[shop.ShopTake, Rendered]],
) -> None:
    good = [take.about["pickup"] for take, _ in session.values() if not take.spoiled]
    assert sorted(good) == sorted(pickup.key for pickup in shop.PICKUPS)
    assert len(good) == len(set(good)) == 8
    assert len(session) == 9


def test_every_strum_of_a_good_take_has_its_level_and_decay_known(
    session: dict[str, tuple[shop.ShopTake, Rendered]],
) -> None:
    for take, made in session.values():
        assert len(made.truth.strums) == shop.STRUMS
        assert all(strum.rms_dbfs is not None for strum in made.truth.strums), take.file
        if not take.spoiled:
            assert all(strum.decay_db_per_s is not None for strum in made.truth.strums), take.file


def test_only_the_spoiled_take_clips_and_it_really_does(session: dict[str, tuple[shop.ShopTake, Rendered]]) -> None:
    for take, made in session.values():
        at_full_scale = np.abs(made.samples) >= 1.0
        assert made.truth.clipped == take.spoiled
        runs = np.flatnonzero(np.diff(at_full_scale.astype(int)) == 1)
        assert (len(runs) > 20) == take.spoiled, take.file
        if take.spoiled:
            assert np.max(np.convolve(at_full_scale, np.ones(3), "same")) == 3


def test_hotter_coil_gives_more_level_and_battery_the_most(
    session: dict[str, tuple[shop.ShopTake, Rendered]],
) -> None:
    single, twin, hot, battery = (
        mean_level_db(of(session, key)) for key in ("harbour-neck", "quarry-neck", "mill-bridge", "weir-bridge")
    )
    assert single + 2 < twin < hot < battery


def test_hotter_coil_of_one_place_has_less_top(session: dict[str, tuple[shop.ShopTake, Rendered]]) -> None:
    def top_db(key: str) -> float:
        made = of(session, key)
        parts = []
        for strum in made.truth.strums:
            start = round(strum.onset_s * RATE_HZ)
            power = np.abs(np.fft.rfft(made.clean[start : start + RATE_HZ // 2])) ** 2
            frequency_hz = np.fft.rfftfreq(RATE_HZ // 2, 1 / RATE_HZ)
            parts.append(10 * np.log10(np.sum(power[frequency_hz > 2800]) / np.sum(power)))
        return float(np.mean(parts))

    assert top_db("quarry-neck") < top_db("harbour-neck") - 1
    assert top_db("mill-bridge") < top_db("kiln-bridge") - 1


def test_sheet_output_is_what_the_reference_strum_gives() -> None:
    for pickup in shop.PICKUPS:
        if pickup.model.preamp is None:
            played = render(
                Take(shop.calibrated(pickup), (Strum(0.0),), 0.5, chain=Chain(1.0, 0.0, hiss_dbfs=None)),
                RATE_HZ,
            )
            millivolts = 1000 * np.sqrt(np.mean(played.clean**2))
            assert millivolts == pytest.approx(pickup.sheet.output_mv, rel=1e-6)
