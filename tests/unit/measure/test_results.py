"""Results as JSON values: the keys of the API, and nothing that JSON does not have."""

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.results import (
    Check,
    TakeMeasurement,
    Unmeasurable,
    check_document,
    plain,
    to_document,
    usable,
)
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FloatArray
from material.plain_take import RATE_HZ, measured, plain_measurement, plain_samples


def strict(measurement: TakeMeasurement) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(json.dumps(to_document(measurement), allow_nan=False))
    return document


def test_document_has_exactly_the_keys_of_the_api() -> None:
    document = strict(plain_measurement())
    assert set(document) == {
        "version", "settings", "audio", "checks", "usable", "noise", "strums", "summary", "take_quantities",
        "reasons",
    }  # fmt: skip
    assert set(document["audio"]) == {
        "sample_rate_hz", "channels", "channel_used", "duration_s", "encoding", "container",
    }  # fmt: skip
    for strum in document["strums"]:
        assert set(strum) == {
            "number", "onset_s", "end_s", "ended_by", "quantities", "octave_db", "third_octave_db",
            "band_decay_db_per_s", "reasons",
        }  # fmt: skip
        assert strum["ended_by"] in {"next", "damped", "noise", "file-end"}
    assert set(document["summary"]["rms_dbfs"]) == {"mean", "sd", "n", "low", "high", "min", "max"}


def test_document_holds_every_quantity_of_the_catalogue_and_no_other() -> None:
    document = strict(plain_measurement())
    scalars = {entry.key for entry in QUANTITIES if entry.of == "strum" and not entry.parts and not entry.calibrated}
    vectors = {entry.key: set(entry.parts) for entry in QUANTITIES if entry.of == "strum" and entry.parts}
    for strum in document["strums"]:
        assert set(strum["quantities"]) == scalars
        assert {key: set(strum[key]) for key in vectors} == vectors
    assert set(document["summary"]) == scalars | set(vectors)
    assert {key: set(document["summary"][key]) for key in vectors} == vectors
    assert set(document["take_quantities"]) == {entry.key for entry in QUANTITIES if entry.of == "take"}
    assert set(document["noise"]) == {entry.key for entry in QUANTITIES if entry.of == "noise"}


def test_every_empty_quantity_of_a_strum_says_why() -> None:
    for strum in strict(odd_takes()["a strum cut off"])["strums"]:
        empty = {key for key, value in strum["quantities"].items() if value is None}
        assert empty
        assert empty <= set(strum["reasons"])
        assert all(strum["reasons"].values())


def odd_takes() -> dict[str, TakeMeasurement]:
    samples = plain_samples()
    first = round(0.6 * RATE_HZ)
    gated = np.where(np.arange(samples.size) % RATE_HZ < RATE_HZ // 2, samples, 0.0)
    takes: dict[str, FloatArray] = {
        "a strum cut off": samples[: first + RATE_HZ // 5],
        "begins in a strum": samples[first + RATE_HZ // 4 :],
        "gated": gated,
        "hardly any level": samples * 1e-3,
        "beyond full scale": samples * 1e6,
        "one bit": np.sign(samples) * (np.abs(samples) > 0.1),
        "with an offset": samples + 0.5,
        "silence but for one strum": np.where(np.arange(samples.size) < 2.7 * RATE_HZ, samples, 0.0) * (samples > 1e-3),
    }
    return {name: measured(made) for name, made in takes.items()}


def test_odd_takes_are_json_as_well() -> None:
    for name, measurement in odd_takes().items():
        document = strict(measurement)
        assert document["strums"], name
        for strum in document["strums"]:
            assert 0.0 <= strum["onset_s"] < strum["end_s"] <= document["audio"]["duration_s"] + 1e-6, name
        numbers = [value for strum in document["strums"] for value in strum["quantities"].values() if value is not None]
        assert all(math.isfinite(number) for number in numbers), name


def test_settings_used_are_in_the_document() -> None:
    settings = MeasureSettings(level_window_s=(0.0, 0.4), expected_strums=3)
    assert strict(measured(plain_samples(), settings=settings))["settings"] == settings.to_document()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_json_does_not_have_becomes_null(value: float) -> None:
    assert plain(value) is None
    assert check_document(Check("hum", "note", "text", values={"level": value}))["values"] == {"level": None}


@pytest.mark.parametrize("value", [None, 3, "bass", -3.25])
def test_other_values_stay(value: float | str | None) -> None:
    assert plain(value) == value


def test_take_is_usable_unless_a_check_rejects_it() -> None:
    note, caution, reject = (Check("noisy", severity, "text") for severity in ("note", "caution", "reject"))
    assert usable(())
    assert usable((note, caution))
    assert not usable((note, reject, caution))
    spoiled = replace(plain_measurement(), checks=(caution, reject))
    assert to_document(spoiled)["usable"] is False
    assert to_document(plain_measurement())["usable"] is True


def test_unmeasurable_carries_its_checks_and_says_the_last() -> None:
    checks = (Check("low-sample-rate", "note", "first"), Check("no-strums", "reject", "last"))
    error = Unmeasurable(checks)
    assert error.checks == checks
    assert str(error) == "last"
