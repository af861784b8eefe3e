"""What the demonstration writes."""

import csv
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbench_service.demo import recordings
from coilbench_worker.model import shop
from coilbench_worker.model.take import render


@pytest.fixture
def two_takes(monkeypatch: pytest.MonkeyPatch) -> tuple[shop.ShopTake, ...]:
    """Two takes of the session, cut to their first strum."""
    two = tuple(
        replace(take, take=replace(take.take, strums=take.take.strums[:1], duration_s=2.0)) for take in shop.takes()[:2]
    )
    monkeypatch.setattr(shop, "takes", lambda: two)
    return two


def test_recordings_manifest_and_truth_belong_together(tmp_path: Path, two_takes: tuple[shop.ShopTake, ...]) -> None:
    told: list[tuple[int, int]] = []
    written = recordings.write(tmp_path, lambda done, of: told.append((done, of)))
    assert told == [(1, 2), (2, 2)]
    manifest = (tmp_path / "recordings" / "takes.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(manifest.splitlines()))
    assert [row["file"] for row in rows] == [take.file for take in two_takes]
    (session,) = csv.DictReader((tmp_path / "sessions.csv").read_text(encoding="utf-8").splitlines())
    assert {row["session"] for row in rows} == {session["key"]}
    assert (session["expected_strums"], session["chain"], session["input_gain_db"]) == ("4", "desk", "11.0")
    assert rows[0]["input_gain_db"] == "25.0"  # the spoiled take differs from its session, and says so
    assert rows[1]["input_gain_db"] == ""
    sheets = list(csv.DictReader((tmp_path / "pickups.csv").read_text(encoding="utf-8").splitlines()))
    assert [sheet["key"] for sheet in sheets] == [pickup.key for pickup in shop.PICKUPS]
    assert {sheet["active"] for sheet in sheets} == {"true", "false"}
    known = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert list(known["pickups"]) == [pickup.key for pickup in shop.PICKUPS]
    assert known["pickups"]["harbour-neck"]["level_re_first_db"] == 0.0
    assert known["pickups"]["weir-bridge"]["level_re_first_db"] > 10
    truth = known["takes"]
    for recording, true in zip(written, truth, strict=True):
        content = (tmp_path / "recordings" / recording.file).read_bytes()
        assert hashlib.sha256(content).hexdigest() == recording.sha256 == true["sha256"]
        assert len(true["strums"]) == 1


def test_files_hold_the_modelled_samples_to_half_a_step_of_24_bits(
    tmp_path: Path, two_takes: tuple[shop.ShopTake, ...]
) -> None:
    recordings.write(tmp_path, lambda done, of: None)
    for take in two_takes:
        path = tmp_path / "recordings" / take.file
        assert soundfile.info(path).subtype == "PCM_24"
        samples, rate_hz = soundfile.read(path)
        assert rate_hz == 48000
        expected = np.minimum(render(take.take, 48000).samples, 1 - 2.0**-23)
        assert np.max(np.abs(samples - expected)) <= 2.0**-24 * 1.0001


def test_the_tone_and_the_millivolts_are_those_of_the_models_chain(
    tmp_path: Path, two_takes: tuple[shop.ShopTake, ...]
) -> None:
    (_, good) = recordings.write(tmp_path, lambda done, of: None)
    samples, rate_hz = soundfile.read(tmp_path / "tone.wav")
    assert len(samples) == 10 * rate_hz
    chain = two_takes[1].take.chain
    # a sample of 1 stands for so many volts at the input: full scale at gain 0, less the gain
    volts = np.asarray(samples) * chain.full_scale_v / 10 ** (chain.input_gain_db / 20)
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(1.0, rel=1e-3)
    (strum,) = good.strums
    assert strum["rms_mv"] == pytest.approx(17_400 * 10 ** ((strum["rms_dbfs"] - 11) / 20))


def test_writing_again_changes_no_file(tmp_path: Path, two_takes: tuple[shop.ShopTake, ...]) -> None:
    first = recordings.write(tmp_path, lambda done, of: None)
    times = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*.*")}
    assert recordings.write(tmp_path, lambda done, of: None) == first
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*.*")} == times


def test_recording_packed_otherwise_by_another_release_is_kept_and_a_broken_one_is_written_anew(
    tmp_path: Path, two_takes: tuple[shop.ShopTake, ...]
) -> None:
    first = recordings.write(tmp_path, lambda done, of: None)
    packed, broken = (tmp_path / "recordings" / take.file for take in two_takes)
    samples, rate_hz = soundfile.read(packed, dtype="int32")
    soundfile.write(packed, samples, rate_hz, subtype="PCM_24", compression_level=0.0)
    otherwise = packed.read_bytes()
    broken.write_bytes(broken.read_bytes()[:1000])
    again = recordings.write(tmp_path, lambda done, of: None)
    assert hashlib.sha256(otherwise).hexdigest() == again[0].sha256 != first[0].sha256
    assert again[1] == first[1]
