"""The corpus for finding strums: recorded notes sound at their pitch, onsets are where they are said to be."""

import numpy as np
import pytest

from coilbench_worker.model.strum import Strum
from material import corpus, recorded, soundbank


@pytest.mark.parametrize("program", [recorded.JAZZ, recorded.CLEAN, recorded.MUTED, recorded.OVERDRIVEN])
@pytest.mark.parametrize("key", [40, 52, 64])
def test_recorded_note_sounds_at_the_pitch_of_its_key(program: int, key: int) -> None:
    """Equal temperament, A4 = 440 Hz (ISO 16). The autocorrelation's first high peak gives the period."""
    low, high = recorded.sounding(program, key, 44100)
    sound = (low + high)[4410:13230]
    spectrum = np.abs(np.fft.rfft(sound, 4 * len(sound))) ** 2
    alike = np.fft.irfft(spectrum)[: len(sound) // 4]
    expected = 44100 * 2 ** ((69 - key) / 12) / 440
    near = np.arange(int(expected * 0.9), int(expected * 1.1) + 1)
    assert near[np.argmax(alike[near])] == pytest.approx(expected, rel=0.012, abs=1.0)
    assert np.max(alike[near]) > 0.8 * alike[0]


def test_strummed_notes_start_at_their_onsets() -> None:
    samples, rate_hz, onsets = recorded.strummed((Strum(0.5, stop_s=1.2), Strum(2.0, stroke="up")), duration_s=4.0)
    assert onsets == (0.5, 2.0)
    assert np.all(samples[: round(0.5 * rate_hz)] == 0)
    loud = np.max(np.abs(samples))
    assert np.max(np.abs(samples[round(0.5 * rate_hz) : round(0.505 * rate_hz)])) > 0.03 * loud
    assert np.max(np.abs(samples[round(1.95 * rate_hz) : round(1.999 * rate_hz)])) < 1e-3 * loud
    assert np.max(np.abs(samples[round(2.0 * rate_hz) : round(2.005 * rate_hz)])) > 0.03 * loud


def test_missing_sound_bank_says_which_package_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(soundbank, "PACKAGE", "no_such_package_here")
    with pytest.raises(soundbank.SoundBankMissing, match="pip install"):
        soundbank.path()


@pytest.mark.parametrize("name", ["modelled-ringing-over", "recorded-stereo-right", "recorded-16-bit-quiet"])
def test_case_of_the_corpus_is_the_same_each_time(name: str) -> None:
    first, second = corpus.case(name), corpus.case(name)
    np.testing.assert_array_equal(first.samples, second.samples)
    assert first.onsets_s == second.onsets_s


def test_corpus_is_varied_and_its_onsets_are_apart() -> None:
    names = corpus.names()
    assert len(names) >= 40
    assert sum(name.startswith("recorded") for name in names) >= 20
    for name in names[::7]:
        case = corpus.case(name)
        assert np.all(np.isfinite(case.samples)), name
        assert np.all(np.diff(case.onsets_s) > 0.2), name
        assert case.onsets_s[-1] < len(case.samples) / case.rate_hz
