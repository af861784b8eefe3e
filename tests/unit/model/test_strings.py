"""Modes of one string."""

import numpy as np
import pytest

from coilbench_worker.model import strings


def test_first_mode_is_the_open_note_and_each_fret_a_semitone() -> None:
    assert strings.modes(strings.A2).frequency_hz[0] == pytest.approx(110.0)
    assert strings.modes(strings.A2, fret=12).frequency_hz[0] == pytest.approx(220.0)
    assert strings.modes(strings.E2, fret=5).frequency_hz[0] == pytest.approx(110.0, rel=1e-5)


def test_stiffness_stretches_the_tenth_mode() -> None:
    modes = strings.modes(strings.E2)
    b = strings.E2.inharmonicity
    assert modes.frequency_hz[9] / modes.frequency_hz[0] == pytest.approx(10 * np.sqrt((1 + 100 * b) / (1 + b)))
    assert modes.frequency_hz[9] > 10 * modes.frequency_hz[0]


def test_pick_at_a_quarter_leaves_out_every_fourth_mode() -> None:
    modes = strings.modes(strings.E2)
    velocity = np.abs(strings.pluck(modes, pick_mm=strings.SCALE_MM / 4, pick_width_mm=0.01))
    assert np.max(velocity[3::4]) < 1e-12
    assert np.min(velocity[0:9:4]) > 0.01


def test_pole_at_a_third_hears_no_third_mode() -> None:
    heard = np.abs(strings.heard_at(strings.modes(strings.E2), place_mm=strings.SCALE_MM / 3, aperture_mm=1.0))
    assert np.max(heard[2::3]) < 1e-12


def test_wide_window_hears_less_of_short_waves() -> None:
    modes = strings.modes(strings.E2)
    narrow = strings.heard_at(modes, place_mm=150, aperture_mm=2.0)
    wide = strings.heard_at(modes, place_mm=150, aperture_mm=20.0)
    ratio = np.abs(wide / narrow)
    assert ratio[0] == pytest.approx(1.0, abs=0.002)
    assert np.all(np.diff(ratio[:30]) < 0)


def test_treble_dies_sooner_than_bass_unless_one_rate_is_asked_for() -> None:
    assert np.all(np.diff(strings.modes(strings.D3).decay_db_per_s) > 0)
    np.testing.assert_allclose(strings.modes(strings.D3, single_rate_db_per_s=12.0).decay_db_per_s, 12.0)


def test_pick_beyond_the_fret_is_refused() -> None:
    with pytest.raises(ValueError, match="not over a string 320 mm long"):
        strings.pluck(strings.modes(strings.E4, fret=12), pick_mm=400)
