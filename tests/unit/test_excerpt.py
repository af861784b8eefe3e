"""The process that cuts a strum out of a recording: what it writes, and every way it can end."""

import signal
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import NotARecording, TooLong, UnreadableRecording
from coilbench_worker.excerpt import FADE_S, LEAD_S, LONGEST_S, ExcerptFailed, ExcerptTooLoud, cut_excerpt, faded
from material.tones import RATE_HZ, sine

LEAD, FADE = round(LEAD_S * RATE_HZ), round(FADE_S * RATE_HZ)


def child(*lines: str) -> tuple[str, ...]:
    """A child that does something else than cut."""
    return (sys.executable, "-c", textwrap.dedent("\n".join(lines)))


def cut(path: Path, **options: object) -> np.ndarray:
    """The excerpt of a file, shape (n,)."""
    into = path.with_name("excerpt.wav")
    given = {"channel": 1, "onset_s": 0.5, "end_s": 1.5, **options}
    cut_excerpt(path, into, **given)  # type: ignore[arg-type]
    return np.asarray(soundfile.read(into)[0])


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_16"), ("aiff", "PCM_U8")])
def test_samples_of_integers_come_out_as_they_are(tmp_path: Path, suffix: str, subtype: str) -> None:
    path = tmp_path / f"take of two.{suffix}"
    both = np.stack([sine(440.0, 1.0), np.random.default_rng(1).uniform(-1.0, 1.0, RATE_HZ * 2)], axis=1)
    subtype = "PCM_S8" if suffix == "aiff" else subtype
    soundfile.write(path, both, RATE_HZ, subtype=subtype)
    recorded = soundfile.read(path)[0][:, 1]
    found, wanted = cut(path, channel=2), recorded[RATE_HZ // 2 - LEAD : RATE_HZ * 3 // 2]
    np.testing.assert_array_equal(found[FADE:-FADE], wanted[FADE:-FADE])
    assert np.abs(found[:FADE]).max() < 1.0


def test_excerpt_is_no_longer_than_half_a_minute(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, 0.1 * np.random.default_rng(1).standard_normal(34 * 8000), 8000)
    assert cut(path, onset_s=1.0, end_s=33.5).size == round((LONGEST_S + LEAD_S) * 8000)


def test_onset_at_the_beginning_of_the_recording_is_not_faded(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    soundfile.write(path, np.full(RATE_HZ, 0.25), RATE_HZ)
    found = cut(path, onset_s=0.0, end_s=0.5)
    assert found[0] == 0.25
    assert found[-1] < 0.001


def test_fades_never_meet_nor_pass_the_onset() -> None:
    short = faded(np.ones(10), 4, 480)
    assert short[0] == 0.0
    assert (np.diff(short[:5]) > 0).all()
    assert short[4] == 1.0
    assert (np.diff(short[5:]) < 0).all()
    assert faded(np.zeros(0), 0, 480).size == 0


def test_gain_that_would_clip_is_refused_by_the_true_peak(tmp_path: Path) -> None:
    path = tmp_path / "quarter.wav"
    times = np.arange(2 * RATE_HZ)
    soundfile.write(path, 0.5 * np.sin(np.pi / 2 * times + np.pi / 4), RATE_HZ, subtype="PCM_24")
    with pytest.raises(ExcerptTooLoud) as loud:  # a sine at fs/4 whose samples are 3.01 dB below its peak
        cut(path, gain_db=6.0)
    assert loud.value.true_peak_dbtp == pytest.approx(-6.02, abs=0.1)
    assert np.abs(cut(path, gain_db=4.9)).max() == pytest.approx(0.5 * 10 ** (4.9 / 20) / np.sqrt(2), rel=1e-5)


def test_sample_of_just_full_scale_passes_and_one_beyond_it_does_not(tmp_path: Path) -> None:
    path = tmp_path / "float.wav"
    samples = 0.25 * sine(440.0, 1.0)
    samples[40_000] = 1.0
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    assert cut(path).max() == 1.0 - 2.0**-23
    samples[40_000] = 1.001
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    with pytest.raises(ExcerptTooLoud):
        cut(path)


@pytest.mark.parametrize("given", [{"channel": 2}, {"onset_s": 9.0, "end_s": 9.5}])
def test_recording_that_is_not_the_measured_one_is_refused(tmp_path: Path, given: dict[str, float]) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, sine(), RATE_HZ)
    with pytest.raises(UnreadableRecording, match="than when it was measured"):
        cut(path, **given)


def test_what_is_wrong_with_a_file_comes_back_as_everywhere(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(b"chords in G\n" * 9)
    with pytest.raises(NotARecording):
        cut(path)
    soundfile.write(path, sine(seconds=3.0), RATE_HZ)
    with pytest.raises(TooLong):
        cut(path, limits=AudioLimits(max_duration_s=2.0))
    samples = sine()
    samples[40_000] = np.nan
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    with pytest.raises(UnreadableRecording, match="no numbers"):
        cut(path)
    with pytest.raises(OSError, match="FileNotFoundError"):
        cut(tmp_path / "none.wav")


def test_child_that_hangs_is_stopped(tmp_path: Path) -> None:
    with pytest.raises(ExcerptFailed, match="took longer than 1 s and was stopped"):
        cut(tmp_path / "take.wav", timeout_s=1.0, program=child("import time; time.sleep(600)"))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals of this kind")
def test_child_that_is_killed_takes_nobody_along(tmp_path: Path) -> None:
    number = int(signal.SIGSEGV)
    with pytest.raises(ExcerptFailed, match=rf"died \(by signal {number}\)"):
        cut(tmp_path / "take.wav", program=child(f"import os; os.kill(os.getpid(), {number})"))


def test_child_that_fails_leaves_its_last_words(tmp_path: Path) -> None:
    with pytest.raises(ExcerptFailed, match=r"died \(exit code 1\)") as failed:
        cut(tmp_path / "take.wav", program=child("raise RuntimeError('the coil is open')"))
    assert "the coil is open" in failed.value.log
    with pytest.raises(ExcerptFailed, match="unknown answer, 'melody'"):
        cut(tmp_path / "take.wav", program=child("""print('{"melody": 1}')"""))


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps the limit")
def test_memory_of_the_child_is_limited(tmp_path: Path) -> None:
    greedy = child(
        "import sys; from coilbench_worker import excerpt",
        "excerpt.open_recording = lambda *given: bytearray(3 << 30)",
        "sys.exit(excerpt.main())",
    )
    with pytest.raises(ExcerptFailed, match="needs more than 1024 MiB"):
        cut(tmp_path / "take.wav", program=greedy)


def test_child_needs_nothing_that_begins_slowly(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", sine(), RATE_HZ)
    telling = child(
        "import sys; from coilbench_worker import excerpt; excerpt.main()",
        "slow = {'scipy', 'celery', 'sqlalchemy', 'pydantic', 'flask'} & set(sys.modules)",
        "sys.exit(f'{slow} were imported' if slow else 0)",
    )
    assert cut(tmp_path / "take.wav", program=telling).size > 0
