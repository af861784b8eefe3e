"""The worked example of docs/calibration.md: an invented studio, through the service as a user's program reaches it.

Every number of the page's tables is worked out here, from the recordings, and looked for on the page.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from urllib3 import encode_multipart_formdata

from coilbench_worker.measure import reference_tone as limits
from coilbench_worker.measure.source import FloatArray
from http_service import Service
from http_service import service as running_service
from material.tones import RATE_HZ, among_silence, hiss, sine, times

PAGE = (Path(__file__).parents[2] / "docs" / "calibration.md").read_text("utf-8")

FULL_SCALE_V_RMS = 0.617
"""What full scale of the invented input really is at a gain of 20 dB; nobody in the example knows it."""
TONE_V_RMS = 0.2
STRUMS_DB = (0.0, -0.6, 0.3, -0.9, 0.5, -0.23)
STRUM_PEAK_V = 0.3287


def recorded(volts: FloatArray, gain_db: float = 20.0) -> bytes:
    """What the studio's input makes of a voltage: a 24-bit WAV file, with the input's own hiss."""
    samples = volts / (math.sqrt(2) * FULL_SCALE_V_RMS) * 10 ** ((gain_db - 20.0) / 20)
    file = io.BytesIO()
    soundfile.write(file, samples + hiss(3e-5, samples.size), RATE_HZ, format="WAV", subtype="PCM_24")
    return file.getvalue()


def tone() -> FloatArray:
    """Ten seconds of 1 kHz, 200 mV: two harmonics, and a generator that drifts by 0.02 dB."""
    seconds, peak_v = 10.0, math.sqrt(2) * TONE_V_RMS
    clean = sine(1000.0, peak_v, seconds=seconds) + sine(2000.0, 0.0006 * peak_v, seconds=seconds)
    clean += sine(3000.0, 0.0004 * peak_v, seconds=seconds, phase=1.0)
    drift_db = np.linspace(-0.01, 0.01, clean.size)
    return among_silence(clean * 10 ** (drift_db / 20), 1.0, 0.7)


def strums() -> FloatArray:
    """Six strums, 2.5 s apart: decaying partials of a low string."""
    volts = np.zeros(round((0.5 + 2.5 * len(STRUMS_DB)) * RATE_HZ))
    time_s = times(2.5)
    sound = sum(np.sin(2 * np.pi * 110 * k * time_s) / k * np.exp(-time_s * (1.5 + 0.4 * k)) for k in range(1, 20))
    for number, level_db in enumerate(STRUMS_DB):
        start = round((0.5 + 2.5 * number) * RATE_HZ)
        volts[start : start + time_s.size] += STRUM_PEAK_V * 10 ** (level_db / 20) * sound / np.abs(sound).max()
    return volts


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The studio with its chain, calibrated at two gains."""
    with running_service(tmp_path_factory.mktemp("studio")) as made:
        chain = {"key": "desk", "name": "Desk, instrument input 1", "gain_step_uncertainty_db": 0.3}
        assert made.client.post("/v1/chains", json=chain).status_code == 201
        number = {"input_gain_db": 10, "full_scale_dbu": 8, "uncertainty_db": 0.6}
        assert made.client.post("/v1/chains/desk/calibrations", json=number).status_code == 201
        about = {"input_gain_db": 20, "tone_v_rms": TONE_V_RMS, "uncertainty_percent": 1.3}
        parts = {"file": ("tone-20.wav", recorded(tone())), "about": json.dumps(about)}
        body, content_type = encode_multipart_formdata(parts)
        answer = made.client.post("/v1/chains/desk/calibrations", data=body, content_type=content_type)
        assert answer.status_code == 201, answer.text
        yield made


@pytest.fixture(scope="module")
def at_20(studio: Service) -> dict[str, Any]:
    """The measurement of the take at the gain of the tone."""
    return measurement(studio, 20.0)


@pytest.fixture(scope="module")
def at_26(studio: Service) -> dict[str, Any]:
    """The measurement of the same strums with 6 dB more gain, where nothing was calibrated."""
    return measurement(studio, 26.0)


def measurement(studio: Service, gain_db: float) -> dict[str, Any]:
    about = {"label": "harbour neck", "chain": "desk", "input_gain_db": gain_db, "expected_strums": len(STRUMS_DB)}
    take = studio.measured(recorded(strums(), gain_db), f"harbour-neck-{gain_db:g}.wav", about)
    found: dict[str, Any] = studio.client.get(take["links"]["measurement"]).json
    return found


def calibration(studio: Service, gain_db: float) -> dict[str, Any]:
    chain = studio.client.get("/v1/chains/desk").json
    (found,) = (each for each in chain["calibrations"] if each["input_gain_db"] == gain_db)
    return dict(found)


def on_the_page(*cells: str) -> None:
    row = f"| {' | '.join(cells)} |"
    assert row in PAGE, row


def test_tone_is_measured_as_the_page_says(studio: Service) -> None:
    found = calibration(studio, 20.0)["tone"]
    on_the_page("frequency", f"{found['frequency_hz']:.1f} Hz")
    on_the_page("level, RMS", f"{found['rms_dbfs']:.2f} dBFS")
    on_the_page("harmonics and noise re the tone", f"{found['distortion_db']:.0f} dB")
    on_the_page("level, greatest minus least", f"{found['stability_db']:.2f} dB")
    on_the_page("length used", f"{found['duration_s']:.1f} s")


def test_full_scale_of_the_tone_is_the_page_s_and_the_truth(studio: Service) -> None:
    found = calibration(studio, 20.0)
    on_the_page("full scale", f"{found['full_scale_v_rms']:.3f} V RMS = {found['full_scale_dbu']:.2f} dBu")
    off_db = 20 * math.log10(found["full_scale_v_rms"] / FULL_SCALE_V_RMS)
    assert abs(off_db) < found["expanded_uncertainty_db"]
    for line in found["budget"]:
        degrees = "infinite" if line["degrees_of_freedom"] is None else f"{line['degrees_of_freedom']:.0f}"
        on_the_page(line["source"], f"{line['standard_uncertainty_db']:.4f} dB", degrees)
    on_the_page("**expanded, k = 2**", f"**{found['expanded_uncertainty_db']:.2f} dB**", "")


def test_stated_full_scale_is_the_page_s(studio: Service) -> None:
    found = calibration(studio, 10.0)
    assert f"{found['full_scale_v_rms']:.3f} V RMS" in PAGE
    assert f"±{found['expanded_uncertainty_db']:.1f} dB" in PAGE


def test_millivolts_of_the_strums_are_the_page_s(at_20: dict[str, Any]) -> None:
    assert [check["code"] for check in at_20["checks"]] == []
    for strum in at_20["strums"]:
        of = strum["quantities"]
        shown = (f"{of['peak_dbfs']:.1f}", f"{of['rms_dbfs']:.1f}", f"{of['peak_mv']:.0f}", f"{of['rms_mv']:.0f}")
        on_the_page(str(strum["number"]), *shown)


def test_budget_of_the_mean_is_the_page_s(at_20: dict[str, Any]) -> None:
    for key in ("peak_mv", "rms_mv"):
        entry = at_20["summary"][key]
        repeatability = entry["sd"] / math.sqrt(entry["n"])
        scale = entry["mean"] * at_20["calibration"]["expanded_uncertainty_db"] / 2 / (20 / math.log(10))
        total = math.hypot(repeatability, scale)
        assert entry["expanded_uncertainty_mv"] == pytest.approx(entry["coverage_factor"] * total, rel=1e-4)
        on_the_page(f"`{key}`, mean of {entry['n']}", f"{entry['mean']:.1f} mV")
        on_the_page(f"`{key}`, repeatability", f"{repeatability:.1f} mV")
        on_the_page(f"`{key}`, calibration", f"{scale:.1f} mV")
        on_the_page(f"`{key}`, combined", f"{total:.1f} mV")
        on_the_page(f"`{key}`, effective degrees of freedom", f"{entry['degrees_of_freedom']:.1f}")
        on_the_page(f"`{key}`, k", f"{entry['coverage_factor']:.1f}")
        on_the_page(f"`{key}`, expanded", f"{entry['expanded_uncertainty_mv']:.1f} mV")
        assert report(key, entry) in PAGE, report(key, entry)


def report(key: str, entry: dict[str, Any]) -> str:
    """The line that the page tells people to write."""
    uncertainty = entry["expanded_uncertainty_mv"]
    return f"{key} = {entry['mean']:.0f} mV ± {uncertainty:.0f} mV (95 %, k = {entry['coverage_factor']:.1f})"


def test_truth_lies_within_what_the_page_reports(at_20: dict[str, Any], at_26: dict[str, Any]) -> None:
    volts = strums()
    windows = [volts[round((0.5 + 2.5 * number) * RATE_HZ) :][: RATE_HZ // 2] for number in range(len(STRUMS_DB))]
    true_mv = 1000 * float(np.mean([np.sqrt(np.mean(window**2)) for window in windows]))
    for found in (at_20, at_26):
        scale = found["summary"]["rms_mv"]["mean"] * found["calibration"]["expanded_uncertainty_db"] / 8.686
        assert abs(found["summary"]["rms_mv"]["mean"] - true_mv) < scale


def test_gain_without_calibration_is_moved_and_less_certain_as_the_page_says(
    at_20: dict[str, Any], at_26: dict[str, Any]
) -> None:
    (check,) = at_26["checks"]
    assert (check["code"], check["severity"]) == ("gain-uncalibrated", "note")
    assert check["message"].split("; it is")[0] in " ".join(PAGE.split())
    block, entry = at_26["calibration"], at_26["summary"]["rms_mv"]
    on_the_page("full scale at 26 dB", f"{block['full_scale_v_rms']:.3f} V RMS = {block['full_scale_dbu']:.2f} dBu")
    on_the_page("its expanded uncertainty, k = 2", f"{block['expanded_uncertainty_db']:.2f} dB")
    assert report("rms_mv", entry) in PAGE, report("rms_mv", entry)
    assert block["expanded_uncertainty_db"] > 2 * at_20["calibration"]["expanded_uncertainty_db"]


def test_page_gives_the_limits_of_the_tone() -> None:
    on_the_page("steady for", f"{limits.SHORTEST_S:g} s at least")
    on_the_page("level, RMS", f"{limits.QUIETEST_DBFS:g} dBFS at least")
    on_the_page("peak", f"{limits.GREATEST_PEAK_DBFS:g} dBFS at most")
    on_the_page("harmonics and noise", f"{limits.GREATEST_DISTORTION_DB:g} dB re the tone at most (1 %)")
    on_the_page("level over the recording", f"within {limits.GREATEST_SPREAD_DB:g} dB")
    on_the_page("frequency over the recording", f"within {100 * limits.GREATEST_WANDER:g} %")
    on_the_page("frequency", f"{limits.LOWEST_HZ:g} Hz to {limits.HIGHEST_SHARE:g} of the sample rate")
