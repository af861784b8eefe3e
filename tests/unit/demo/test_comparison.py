"""The demonstration's figures: they say how wrong a measurement is, and can't be pleased by a wrong one."""

from dataclasses import replace
from typing import Any

import pytest

from coilbench_service.demo.comparison import compare
from coilbench_service.demo.recordings import Recording

ONSETS_S = (1.0, 6.0)


def recording(name: str, level_dbfs: float, *, spoiled: bool = False) -> Recording:
    true = {"rms_dbfs": level_dbfs, "decay_db_per_s": 8.0, "rms_mv": 5000 * 10 ** (level_dbfs / 20)}
    strums = tuple({"onset_s": onset_s, **true} for onset_s in ONSETS_S)
    return Recording(f"{name}.wav", f"hash-{name}", name, spoiled, strums)


def measurement(
    of: Recording,
    *,
    late_s: float = 0.0,
    louder_db: float = 0.0,
    faster: float = 1.0,
    volts: float = 1.0,
    usable: bool = True,
) -> dict[str, Any]:
    strums = [
        {
            "onset_s": true["onset_s"] + late_s,
            "quantities": {
                "rms_dbfs": true["rms_dbfs"] + louder_db,
                "decay_db_per_s": true["decay_db_per_s"] * faster,
                "rms_mv": true["rms_mv"] * volts,
            },
        }
        for true in of.strums
    ]
    return {"usable": usable, "strums": strums, "checks": []}


ONE, OTHER, SPOILED = recording("one", -30), recording("other", -20), recording("spoiled", -5, spoiled=True)


def test_perfect_measurement_has_no_error_and_holds() -> None:
    found = compare(
        [ONE, OTHER, SPOILED],
        {
            ONE.sha256: measurement(ONE),
            OTHER.sha256: measurement(OTHER),
            SPOILED.sha256: measurement(SPOILED, usable=False),
        },
    )
    assert found.holds
    assert (found.compared_strums, found.compared_differences, found.compared_decays) == (4, 1, 4)
    assert (found.compared_millivolts, found.millivolt_error) == (4, pytest.approx(0.0))
    assert found.level_error_db == pytest.approx(0.0)


def test_level_error_shared_by_all_takes_is_no_error_of_a_difference() -> None:
    both = {one.sha256: measurement(one, louder_db=0.3) for one in (ONE, OTHER)}
    assert compare([ONE, OTHER], both).level_error_db == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("wrong", "field", "expected"),
    [
        ({"late_s": -0.007}, "onset_error_s", 0.007),
        ({"louder_db": -0.2}, "level_error_db", 0.2),
        ({"faster": 0.9}, "decay_error", 0.1),
        ({"volts": 1.03}, "millivolt_error", 0.03),
    ],
)
def test_error_of_one_take_is_reported_and_breaks_the_promise(
    wrong: dict[str, Any], field: str, expected: float
) -> None:
    found = compare([ONE, OTHER], {ONE.sha256: measurement(ONE), OTHER.sha256: measurement(OTHER, **wrong)})
    assert getattr(found, field) == pytest.approx(expected)
    assert not found.holds
    assert found.faults == ()


def test_missing_measurement_a_missed_strum_and_wrong_verdicts_are_named() -> None:
    short = measurement(OTHER)
    short["strums"].pop()
    third = replace(ONE, file="third.wav", sha256="hash-third")
    found = compare(
        [ONE, OTHER, SPOILED, third],
        {
            ONE.sha256: None,
            OTHER.sha256: short,
            SPOILED.sha256: measurement(SPOILED),
            third.sha256: measurement(third, usable=False),
        },
    )
    assert not found.holds
    assert found.faults == (
        "one.wav was not measured.",
        "other.wav holds 2 strums, 1 were found.",
        "spoiled.wav was called usable, and it is spoiled.",
        "third.wav was called unusable, and nothing is wrong with it.",
    )


def test_quantity_that_was_not_measured_is_a_fault_not_a_zero() -> None:
    found = measurement(OTHER)
    found["strums"][0]["quantities"] = {"rms_dbfs": None, "decay_db_per_s": None, "rms_mv": None}
    compared = compare([ONE, OTHER], {ONE.sha256: measurement(ONE), OTHER.sha256: found})
    assert compared.faults == (
        "other.wav: the decay of the strum at 1.00 s was not measured.",
        "other.wav: the voltage of the strum at 1.00 s was not measured.",
        "other.wav: the level of a strum was not measured.",
    )
    assert not compared.holds


def test_nothing_compared_does_not_hold() -> None:
    assert not compare([], {}).holds
