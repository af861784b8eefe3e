"""Settings out of the description and out of a request."""

from __future__ import annotations

import pytest

from coilbench_service.problems import Problem
from coilbench_service.settings_of import settings_after, settings_asked, settings_of
from coilbench_worker.measure.settings import MeasureSettings

WINDOW = (0.0, 1.0)


def test_only_strums_and_channel_of_a_description_are_settings() -> None:
    assert settings_of({"label": "a", "expected_strums": 4, "channel": 2}) == MeasureSettings(
        expected_strums=4, channel=2
    )


def test_a_changed_description_changes_its_own_settings_and_no_other() -> None:
    present = MeasureSettings(level_window_s=WINDOW, expected_strums=4, channel=1).to_document()
    after = settings_after(present, {"expected_strums": 4, "channel": 1}, {"expected_strums": 5})
    assert after == MeasureSettings(level_window_s=WINDOW, expected_strums=5, channel=None)


def test_a_description_that_says_the_same_leaves_settings_that_were_asked_for() -> None:
    present = MeasureSettings(channel=2).to_document()
    assert settings_after(present, {"label": "a"}, {"label": "b"}) == MeasureSettings(channel=2)


def test_a_request_says_what_differs_from_description_and_default() -> None:
    asked = settings_asked({"level_window_s": [0, 1], "channel": None}, {"expected_strums": 4, "channel": 2})
    assert asked == MeasureSettings(level_window_s=WINDOW, expected_strums=4, channel=None)


def test_every_setting_at_fault_is_named() -> None:
    with pytest.raises(Problem) as caught:
        settings_asked({"windw": 1, "channel": 0, "body_window_s": [1, 0]}, {})
    fields = {error.field for error in caught.value.errors}
    assert fields == {"settings.windw", "settings.channel", "settings.body_window_s"}
