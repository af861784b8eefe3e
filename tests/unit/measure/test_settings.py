"""Settings: there and back through JSON, and every fault named."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.settings import MeasureSettings, SettingsInvalid, from_document

edges = st.floats(0.0, 10.0, allow_nan=False)
windows = st.tuples(edges, edges).map(sorted).filter(lambda edge: edge[1] - edge[0] >= 0.01)
wholes = st.none() | st.integers(1, 10_000)
WINDOWS = ("level_window_s", "attack_window_s", "body_window_s", "tail_window_s")
documents = st.fixed_dictionaries(
    {}, optional={**dict.fromkeys(WINDOWS, windows), "expected_strums": wholes, "channel": wholes}
)


@settings(max_examples=60, deadline=None)
@given(document=documents)
def test_settings_survive_the_way_through_json(document: dict[str, Any]) -> None:
    made = from_document(document)
    again = from_document(json.loads(json.dumps(made.to_document())))
    assert again == made
    assert again.key() == made.key()
    assert made.to_document() | document == made.to_document()


def test_defaults_are_those_of_the_definitions() -> None:
    assert from_document({}).to_document() == {
        "level_window_s": [0.0, 0.5],
        "attack_window_s": [0.0, 0.1],
        "body_window_s": [0.1, 0.5],
        "tail_window_s": [0.5, 1.5],
        "expected_strums": None,
        "channel": None,
    }


def test_every_setting_moves_the_key() -> None:
    changes: list[dict[str, Any]] = [{name: [0.05, 0.3]} for name in WINDOWS]
    changes += [{}, {"expected_strums": 4}, {"expected_strums": 5}, {"channel": 4}]
    keys = [from_document(change).key() for change in changes]
    assert len(set(keys)) == len(keys)
    assert all(len(key) == 16 and int(key, 16) >= 0 for key in keys)


def test_whole_seconds_and_their_decimals_are_one_setting() -> None:
    assert from_document({"level_window_s": [0, 1]}).key() == from_document({"level_window_s": [0.0, 1.0]}).key()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *[("level_window_s", value) for value in ([0.5, 0.5], [0.5, 0.1], [-0.1, 0.5], [0, 10.1], [0], [0, 1, 2])],
        *[("body_window_s", value) for value in ([0.1, 0.10001], [0.1, 0.1099])],
        *[("body_window_s", value) for value in (None, "0-1", [0, "1"], [False, True], 0.5, {"start": 0}, [0, None])],
        ("tail_window_s", [0.0, float("nan")]),
        ("tail_window_s", [0.0, float("inf")]),
        *[("expected_strums", value) for value in (0, -1, 10_001, 1.0, True, "4", [4])],
        *[("channel", value) for value in (0, -1, 1.5, False, "left")],
        ("level_window", [0.0, 0.5]),
    ],
)
def test_faulty_setting_is_named(name: str, value: object) -> None:
    with pytest.raises(SettingsInvalid, match=name) as caught:
        from_document({"attack_window_s": [0.0, 0.1], name: value})
    assert [field for field, _ in caught.value.faults] == [name]


@pytest.mark.parametrize("start_s", [0.0, 0.1, 0.3, 9.99])
def test_shortest_window_is_10_ms(start_s: float) -> None:
    assert from_document({"level_window_s": [start_s, start_s + 0.01]})


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(ValueError, match="no such setting") as caught:
        from_document({"channel": 0, "windows": 1, "level_window_s": [1, 0]})
    assert isinstance(caught.value, SettingsInvalid)
    assert {field for field, _ in caught.value.faults} == {"channel", "windows", "level_window_s"}


def test_settings_can_be_compared_and_kept_in_sets() -> None:
    assert len({MeasureSettings(), from_document({}), MeasureSettings(channel=1)}) == 2
