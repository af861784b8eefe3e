"""Single strums as sound over HTTP: the very samples, levels that match, problems, ranges, and a child that can die."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from werkzeug.test import TestResponse

from coilbench_service import excerpt_shelf, strum_audio
from coilbench_worker import excerpt
from coilbench_worker.audio import recording
from http_recordings import float32, pcm16, strums, strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

RATE_HZ = 48_000
LEAD, FADE = round(excerpt.LEAD_S * RATE_HZ), round(excerpt.FADE_S * RATE_HZ)
ONE_STEP = 2.0**-23


@dataclass(frozen=True)
class Bench:
    """A service with one measured take of three strums."""

    service: Service
    recorded: np.ndarray
    take: dict[str, Any]
    strums: list[dict[str, Any]]

    def get(self, number: object, query: str = "", headers: dict[str, str] | None = None) -> TestResponse:
        """Ask for a strum."""
        address = f"{self.take['links']['self']}/strums/{number}/audio{query}"
        return self.service.client.get(address, headers=headers, buffered=True)

    def heard(self, number: int, query: str = "") -> np.ndarray:
        """The samples of a strum."""
        answer = self.get(number, query)
        assert answer.status_code == 200, answer.text
        samples, rate_hz = soundfile.read(io.BytesIO(answer.data))
        assert rate_hz == RATE_HZ
        return np.asarray(samples)

    def stretch(self, number: int) -> np.ndarray:
        """The samples of the recording that a strum is cut from."""
        strum = self.strums[number - 1]
        return self.recorded[round(strum["onset_s"] * RATE_HZ) - LEAD : round(strum["end_s"] * RATE_HZ)]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with running_service(tmp_path_factory.mktemp("strums")) as service:
        content = pcm16(np.stack([np.zeros(len(strums())), strums()], axis=1))
        take = service.measured(content, "harbour neck.wav", {"channel": 2})
        measured = service.client.get(take["links"]["measurement"]).json["strums"]
        yield Bench(service, soundfile.read(io.BytesIO(content))[0][:, 1], take, measured)


@pytest.fixture
def empty_shelf(bench: Bench) -> Iterator[None]:
    """Nothing cut before, so that a child has to be started."""
    bench.service.bench.excerpts.close()
    yield
    bench.service.bench.excerpts.close()


def test_strum_as_recorded_has_the_very_samples_of_the_recording(bench: Bench) -> None:
    for number in (1, 2, 3):
        heard, wanted = bench.heard(number), bench.stretch(number)
        assert heard.shape == wanted.shape
        np.testing.assert_array_equal(heard[FADE:-FADE], wanted[FADE:-FADE])
        assert heard[0] == 0.0
        assert abs(heard[-1]) < abs(wanted).max() / 1000
    answer = bench.get(2)
    assert answer.mimetype == "audio/wav"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="harbour neck strum 2.wav"'
    info = soundfile.info(io.BytesIO(answer.data))
    assert (info.format, info.subtype, info.channels) == ("WAV", "PCM_24", 1)


def test_matched_strum_differs_by_its_gain_alone_and_reads_the_level_asked_for(bench: Bench) -> None:
    for number, wanted_lufs in ((1, -23.0), (3, -37.5)):
        gain_db = wanted_lufs - bench.strums[number - 1]["quantities"]["loudness_lufs"]
        heard, recorded = bench.heard(number, f"?match_lufs={wanted_lufs}"), bench.heard(number)
        np.testing.assert_allclose(heard, recorded * 10 ** (gain_db / 20), rtol=0, atol=2 * ONE_STEP)
        loud = np.abs(recorded) > 0.05
        measured_gain_db = 20 * np.log10(heard[loud] / recorded[loud])
        assert np.abs(measured_gain_db - gain_db).max() < 0.01
        assert momentary_maximum_lufs(heard) == pytest.approx(wanted_lufs, abs=0.1)


def momentary_maximum_lufs(samples: np.ndarray) -> float:
    """Greatest momentary loudness by libebur128, every 10 ms, of windows that lie in the samples."""
    state = pyebur128.R128State(1, RATE_HZ, pyebur128.MeasurementMode.MODE_M)
    step, found = RATE_HZ // 100, []
    for start in range(0, len(samples) - step + 1, step):
        state.add_frames(samples[start : start + step].astype(np.float64), step)
        found.append(pyebur128.get_loudness_momentary(state))
    return max(found[40:])


def test_every_strum_of_a_measurement_says_where_it_is_heard(bench: Bench) -> None:
    for strum in bench.strums:
        assert bench.service.client.get(strum["audio"], buffered=True).status_code == 200


def test_level_beyond_full_scale_is_refused_and_the_greatest_that_fits_is_named(bench: Bench) -> None:
    body = assert_problem(bench.get(1, "?match_lufs=-3"), 422, "over-full-scale")
    greatest = body["greatest_match_lufs"]
    assert f"The greatest loudness that fits is {greatest:.1f} LUFS" in body["detail"]
    heard = bench.heard(1, f"?match_lufs={greatest}")
    oversampled = pyebur128.R128State(1, RATE_HZ, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    oversampled.add_frames(heard, len(heard))
    peak_dbtp = 20 * np.log10(pyebur128.get_true_peak(oversampled, 0))
    assert -1.2 < peak_dbtp < -0.9  # by another interpolator
    assert_problem(bench.get(1, f"?match_lufs={greatest + 0.2}"), 422, "over-full-scale")


def test_recording_over_full_scale_is_heard_at_a_level_that_fits_only(bench: Bench) -> None:
    take = bench.service.measured(float32(strums(level_dbfs=6.0)))
    address = bench.service.client.get(take["links"]["measurement"]).json["strums"][0]["audio"]
    body = assert_problem(bench.service.client.get(address), 422, "over-full-scale")
    assert "As recorded its true peak is 6." in body["detail"]
    matched = bench.service.client.get(f"{address}?match_lufs={body['greatest_match_lufs']}", buffered=True)
    assert 0.8 < np.abs(soundfile.read(io.BytesIO(matched.data))[0]).max() < 0.9


@pytest.mark.parametrize(("number", "asked"), [(0, "0"), (4, "4"), (-1, "-1"), (10**30, "1000000")])
def test_number_that_no_strum_has_is_not_found(bench: Bench, number: int, asked: str) -> None:
    body = assert_problem(bench.get(number), 404, "strum-unknown")
    assert "The take has 3 strums, numbers 1 to 3; " + asked in body["detail"]


@pytest.mark.parametrize(
    "query", ["match_lufs=0.1", "match_lufs=-70.1", "match_lufs=nan", "match_lufs=loud", "lufs=-23"]
)
def test_level_that_makes_no_sense_is_named(bench: Bench, query: str) -> None:
    (error,) = assert_problem(bench.get(1, f"?{query}"), 422, "invalid-request")["errors"]
    assert error["field"] == query.partition("=")[0]
    assert_problem(bench.get("two"), 422, "invalid-request")


def test_strum_without_loudness_says_why_and_is_heard_as_recorded(bench: Bench) -> None:
    service = bench.service
    take = service.measured(strums_wav(gap_s=0.7))
    strum = service.client.get(take["links"]["measurement"]).json["strums"][0]
    body = assert_problem(service.client.get(f"{strum['audio']}?match_lufs=-23"), 422, "no-loudness")
    assert strum["reasons"]["loudness_lufs"] in body["detail"]
    assert service.client.get(strum["audio"], buffered=True).status_code == 200


def test_take_that_is_not_measured_answers_as_its_measurement_does(bench: Bench) -> None:
    service = bench.service
    assert_problem(service.client.get("/v1/takes/none/strums/1/audio"), 404, "take-not-found")
    rejected = service.measured(pcm16(np.zeros(RATE_HZ)))
    assert_problem(service.client.get(f"{rejected['links']['self']}/strums/1/audio"), 422, "no-strums")
    waiting = service.sent(strums_wav(count=2))
    answer = service.client.get(f"{waiting['links']['self']}/strums/1/audio")
    assert_problem(answer, 409, "not-measured-yet")
    assert answer.headers["Retry-After"] == "1"


def test_ranges_and_tags_spare_players_and_children(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = bench.get(1, "?match_lufs=-23")
    assert whole.headers["Accept-Ranges"] == "bytes"
    assert whole.headers["Cache-Control"] == "no-cache"
    never = lambda *_, **__: pytest.fail("a child was started")  # noqa: E731
    monkeypatch.setattr(strum_audio, "cut_excerpt", never)
    part = bench.get(1, "?match_lufs=-23", {"Range": "bytes=100-199"})
    assert (part.status_code, part.data) == (206, whole.data[100:200])
    assert part.headers["Content-Range"] == f"bytes 100-199/{len(whole.data)}"
    beyond = bench.get(1, "?match_lufs=-23", {"Range": f"bytes={len(whole.data)}-"})
    assert_problem(beyond, 416, "range-not-satisfiable")
    bench.service.bench.excerpts.close()
    known = bench.get(1, "?match_lufs=-23", {"If-None-Match": whole.headers["ETag"]})
    assert (known.status_code, known.data, known.headers["ETag"]) == (304, b"", whole.headers["ETag"])
    assert_problem(bench.get(1, "?match_lufs=-23", {"If-Match": '"other"'}), 412, "precondition-failed")
    monkeypatch.undo()
    assert bench.get(1, "?match_lufs=-23", {"If-None-Match": bench.get(2).headers["ETag"]}).data == whole.data


@pytest.mark.usefixtures("empty_shelf")
def test_file_that_ends_its_decoder_ends_the_child_only(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    dying = (sys.executable, "-c", "import os, sys; print('inside', file=sys.stderr, flush=True); os.abort()")
    with monkeypatch.context() as patched:
        patched.setattr(excerpt.cut_excerpt, "__kwdefaults__", {**excerpt.cut_excerpt.__kwdefaults__, "program": dying})
        body = assert_problem(bench.get(1, headers={"X-Request-Id": "strum-1"}), 500, "excerpt-failed")
    assert body["reference"] == "strum-1"
    assert "inside" not in str(body)
    assert "inside" in capsys.readouterr().out
    assert bench.get(1).status_code == 200


@pytest.mark.usefixtures("empty_shelf")
def test_the_service_never_opens_a_recording_itself(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (excerpt, recording):
        monkeypatch.setattr(module, "open_recording", lambda *_: pytest.fail("the service opened a sound file"))
    assert bench.get(1).status_code == 200


@pytest.mark.usefixtures("empty_shelf")
def test_more_excerpts_at_once_than_there_are_places_are_told_to_come_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(excerpt_shelf, "PLACE_WITHIN_S", 0.0)
    monkeypatch.setattr(bench.service.bench.excerpts, "_cutting", {"one", "another"})
    answer = bench.get(1)
    assert_problem(answer, 503, "too-many-excerpts")
    assert "Retry-After" in answer.headers


@pytest.mark.usefixtures("empty_shelf")
def test_recording_that_is_damaged_since_it_was_measured_is_refused(bench: Bench) -> None:
    service = bench.service
    take = service.measured(strums_wav(count=4))
    address = service.client.get(take["links"]["measurement"]).json["strums"][3]["audio"]
    (blob,) = (service.configuration.data / "audio").rglob(take["file"]["sha256"])
    blob.write_bytes(blob.read_bytes()[:200_000])
    body = assert_problem(service.client.get(address), 422, "unreadable-recording")
    assert "shorter, or has fewer channels, than when it was measured" in body["detail"]
