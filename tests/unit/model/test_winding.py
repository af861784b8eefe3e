"""What a winder does to a pickup; where physics does not give it, as common practice has it (no source)."""

from dataclasses import replace
from math import log10

import pytest

from coilbench_worker.model.shop import PICKUPS, ShopPickup, reference_v, true_difference_db
from coilbench_worker.model.winding import HUMBUCKER, MAGNETS, SINGLE, Build, Winding

PLAIN = Winding(SINGLE, 7800, 42, 141.0, 110.0, "alnico 5", "none", "neck")
TWIN = Winding(HUMBUCKER, 5480, 42, 130.0, 130.0, "alnico 5", "none", "neck")


def gain_db(first: Winding, second: Winding) -> float:
    return true_difference_db(ShopPickup("first", first), ShopPickup("second", second))


def test_resistance_is_that_of_the_wire() -> None:
    """checkvalues.md section 10: 8000 turns of 140 mm, AWG 42 exact, 1/58: 6128.2 ohm; 5000 of 130 mm, 43: 4484.7."""
    assert replace(PLAIN, turns=8000, mean_turn_mm=140.0).resistance_ohm == pytest.approx(6128.2, abs=0.1)
    thin = replace(PLAIN, turns=5000, mean_turn_mm=130.0, awg=43)
    assert thin.resistance_ohm == pytest.approx(4484.7, abs=0.1)


def test_inductance_goes_with_the_square_of_the_turns() -> None:
    assert replace(PLAIN, turns=15600).inductance_h == pytest.approx(4 * PLAIN.inductance_h)


@pytest.mark.parametrize("wound", [PLAIN, TWIN], ids=["single coil", "humbucker"])
def test_doubling_the_wire_does_not_double_the_output(wound: Winding) -> None:
    """Common practice, no source. Not even where every turn would catch alike: the load takes its part."""
    doubled = gain_db(wound, replace(wound, turns=2 * wound.turns))
    assert 2.0 < doubled < 20 * log10(2) - 0.5


def test_magnets_from_weak_to_strong_give_levels_in_that_order() -> None:
    """Alnico 3, 2, 5, 8, ceramic: common practice, no source."""
    order = ["alnico 3", "alnico 2", "alnico 5", "alnico 8", "ceramic"]
    levels = [reference_v(ShopPickup("one", replace(TWIN, magnet=magnet))) for magnet in order]
    assert list(MAGNETS) == order
    assert levels == sorted(levels)
    assert len(set(levels)) == len(levels)


def test_plate_of_steel_adds_strength_and_one_of_brass_does_not() -> None:
    """Common practice, no source."""
    assert gain_db(PLAIN, replace(PLAIN, base_plate="brass")) == pytest.approx(0.0)
    assert gain_db(PLAIN, replace(PLAIN, base_plate="steel")) > 1.0


def test_two_coils_in_opposite_phase_cancel_hum_and_add_signal() -> None:
    """Windings and magnets both turned round: against one of the coils by itself. Common practice, no source."""
    one = replace(TWIN, build=Build("one of the pair", (-9.0,), 12.0, (1,), (1,), HUMBUCKER.core_h_per_turn2))
    assert gain_db(one, TWIN) > 4.0
    assert TWIN.hum_v() < one.hum_v() / 20


def test_pair_whose_magnets_alone_are_turned_round_is_refused() -> None:
    wrong = replace(TWIN, build=replace(HUMBUCKER, wound=(1, 1)))
    with pytest.raises(ValueError, match="cancel the strings"):
        wrong.pickup()


def test_single_coils_of_the_shop_hum_more_than_all_others() -> None:
    """Common practice, no source."""
    passive = [pickup for pickup in PICKUPS if not pickup.active]
    singles = [pickup.winding.hum_v() for pickup in passive if pickup.winding.build is SINGLE]
    others = [pickup.winding.hum_v() for pickup in passive if pickup.winding.build is not SINGLE]
    assert min(singles) > 20 * max(others)
