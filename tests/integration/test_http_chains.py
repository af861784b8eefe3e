"""Chains over HTTP: made, changed, deleted, calibrated by number and by tone; every problem by its name."""

from __future__ import annotations

import io
import json
import math
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import soundfile
from urllib3 import encode_multipart_formdata
from werkzeug.test import TestResponse

from coilbench_service import calibrating, idempotency
from coilbench_service.chain_view import CalibrationView, ToneView
from coilbench_worker import reference
from coilbench_worker.reference import ReferenceFailed
from http_recordings import DBU_V, RATE_HZ, TONE_PEAK, float32, pcm16, sine, strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service
from unit.audio.sound_bytes import chunk, fmt, wav

STATED = {"input_gain_db": 20, "full_scale_dbu": 6.0, "uncertainty_db": 0.2}
TONE_ABOUT = {"input_gain_db": 11.0, "tone_v_rms": 1.0, "uncertainty_percent": 2}
TONE = float32(sine())


def add(service: Service, key: str = "desk", headers: dict[str, str] | None = None, **values: Any) -> TestResponse:
    return service.client.post("/v1/chains", json={"key": key, **values}, headers=headers or {})


def state(service: Service, key: str = "desk", headers: dict[str, str] | None = None, **changes: Any) -> TestResponse:
    body = {name: value for name, value in {**STATED, **changes}.items() if value is not None}
    return service.client.post(f"/v1/chains/{quote(key)}/calibrations", json=body, headers=headers or {})


def send_tone(
    service: Service,
    content: bytes = TONE,
    about: Any = TONE_ABOUT,
    headers: dict[str, str] | None = None,
    **parts: Any,
) -> TestResponse:
    fields: dict[str, Any] = {"file": ("tone.wav", content), **parts}
    if about is not None:
        fields["about"] = about if isinstance(about, str) else json.dumps(about)
    body, content_type = encode_multipart_formdata(fields)
    return service.client.post(
        "/v1/chains/desk/calibrations", data=body, content_type=content_type, headers=headers or {}
    )


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with the chain `desk`, for requests of which nothing is kept."""
    with running_service(tmp_path_factory.mktemp("refusing")) as made:
        add(made)
        yield made


def kept_files(service: Service) -> list[Path]:
    """Everything below the folder of recordings, interrupted uploads too."""
    return [path for path in Path(service.bench.blobs.url).glob("*/*") if path.is_file()]


def test_a_chain_is_made_listed_read_changed_and_deleted(service: Service) -> None:
    made = add(service, "Tisch 2, links", name="Desk", gain_step_uncertainty_db=0.1)
    assert made.status_code == 201
    assert made.headers["Location"] == "/v1/chains/Tisch%202%2C%20links"
    client, here = service.client, made.headers["Location"]
    assert made.json["calibrations"] == []
    assert client.get(here).json == made.json
    assert client.get("/v1/chains").json == {"items": [made.json], "next": None}
    changed = client.patch(here, json={"name": None, "notes": "left input"}).json
    assert (changed["name"], changed["notes"], changed["gain_step_uncertainty_db"]) == (None, "left input", 0.1)
    assert client.delete(here).status_code == 204
    assert_problem(client.get(here), 404, "chain-unknown")


def test_chains_are_paged(service: Service) -> None:
    for number in range(3):
        add(service, f"c{number}")
    first = service.client.get("/v1/chains?limit=2")
    assert [chain["key"] for chain in first.json["items"]] == ["c0", "c1"]
    second = service.client.get(first.headers["Link"].split(">")[0][1:]).json
    assert ([chain["key"] for chain in second["items"]], second["next"]) == (["c2"], None)
    assert_problem(service.client.get("/v1/chains?limit=0"), 422, "invalid-request")
    assert_problem(service.client.get("/v1/chains?cursor=%00"), 422, "invalid-request")


def test_a_second_chain_of_a_key_is_a_conflict(refusing: Service) -> None:
    body = assert_problem(add(refusing, name="other"), 409, "chain-exists")
    assert [error["field"] for error in body["errors"]] == ["key"]


@pytest.mark.parametrize("key", ["", "a/b", "..", " desk", "x" * 101, "a\nb", "a\u202eb", 7, None])
def test_a_key_must_fit_an_address(refusing: Service, key: Any) -> None:
    body = assert_problem(refusing.client.post("/v1/chains", json={"key": key}), 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == ["key"]


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"gain_step_uncertainty_db": -0.1}, "gain_step_uncertainty_db"),
        ({"gain_step_uncertainty_db": "0.1"}, "gain_step_uncertainty_db"),
        ({"name": "n" * 201}, "name"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_what_is_wrong_with_a_chain_is_named(refusing: Service, values: dict[str, Any], field: str) -> None:
    assert [e["field"] for e in assert_problem(add(refusing, **values), 422, "invalid-request")["errors"]] == [field]
    answer = refusing.client.patch("/v1/chains/desk", json=values)
    assert [e["field"] for e in assert_problem(answer, 422, "invalid-request")["errors"]] == [field]


def test_a_key_can_not_be_changed(refusing: Service) -> None:
    assert_problem(refusing.client.patch("/v1/chains/desk", json={"key": "other"}), 422, "invalid-request")


@pytest.mark.parametrize("key", ["none", "de%00sk", "%E2%80%AE", "x" * 3000, "..%2fdesk"])
def test_every_route_of_a_chain_that_is_not_there_says_so(refusing: Service, key: str) -> None:
    client, here = refusing.client, f"/v1/chains/{key}"
    slug = "not-found" if "%2f" in key else "chain-unknown"  # a key has no slash, so that is no address of a chain
    assert_problem(client.get(here), 404, slug)
    assert_problem(client.patch(here, json={}), 404, slug)
    assert_problem(client.delete(here), 404, slug)
    assert_problem(client.post(f"{here}/calibrations", json=STATED), 404, slug)
    assert_problem(client.get(f"{here}/calibrations/x"), 404, slug)
    assert_problem(client.get(f"{here}/calibrations/x/audio"), 404, slug)
    assert_problem(client.delete(f"{here}/calibrations/x"), 404, slug)


def test_full_scale_can_be_stated_in_dbu_or_in_volts(service: Service) -> None:
    add(service)
    one = state(service)
    assert one.status_code == 201
    # +6 dBu: 10^(6/20) * sqrt(0.6) V = 1.5455 V
    assert one.json["full_scale_v_rms"] == pytest.approx(10 ** (6 / 20) * DBU_V, rel=1e-12)
    assert one.json["full_scale_v_rms"] == pytest.approx(1.5455, abs=5e-5)
    assert (one.json["expanded_uncertainty_db"], one.json["coverage_factor"]) == (pytest.approx(0.2), 2.0)
    assert (one.json["by"], one.json["tone"], one.json["links"]["audio"]) == ("stated", None, None)
    two = state(service, full_scale_dbu=None, full_scale_v_rms=DBU_V, uncertainty_db=0).json
    assert two["full_scale_dbu"] == pytest.approx(0.0, abs=1e-12)
    assert two["expanded_uncertainty_db"] == 0
    chain = service.client.get("/v1/chains/desk").json
    assert [one["id"] for one in chain["calibrations"]] == [one.json["id"], two["id"]]
    assert service.client.get(one.headers["Location"]).json == one.json
    assert_problem(service.client.get(one.json["links"]["self"] + "/audio"), 404, "no-tone")


@pytest.mark.parametrize(
    ("changes", "fields"),
    [
        ({"uncertainty_db": None}, ["uncertainty_db"]),
        ({"uncertainty_db": -1}, ["uncertainty_db"]),
        ({"input_gain_db": None}, ["input_gain_db"]),
        ({"input_gain_db": "20"}, ["input_gain_db"]),
        ({"full_scale_dbu": None}, ["full_scale_v_rms", "full_scale_dbu"]),
        ({"full_scale_v_rms": 1.0}, ["full_scale_v_rms", "full_scale_dbu"]),
        ({"full_scale_dbu": None, "full_scale_v_rms": 0}, ["full_scale_v_rms"]),
        ({"full_scale_dbu": 300}, ["full_scale_dbu"]),
        ({"full_scale_dbu": None, "full_scale_v_rms": 617}, ["full_scale_v_rms"]),
        ({"tone_v_rms": 1.0}, ["tone_v_rms"]),
    ],
)
def test_what_is_wrong_with_a_stated_calibration_is_named(
    refusing: Service, changes: dict[str, Any], fields: list[str]
) -> None:
    body = assert_problem(state(refusing, **changes), 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == fields
    assert refusing.client.get("/v1/chains/desk").json["calibrations"] == []


def test_a_body_that_is_neither_json_nor_multipart_is_refused(refusing: Service) -> None:
    here = "/v1/chains/desk/calibrations"
    assert_problem(refusing.client.post(here, data=b"x", content_type="text/plain"), 415, "not-json")
    assert_problem(refusing.client.post(here, data=b"{", content_type="application/json"), 400, "broken-json")
    too_long = b'{"a": "' + b"x" * (1 << 20) + b'"}'
    body = assert_problem(refusing.client.post(here, data=too_long, content_type="application/json"), 413, "too-large")
    assert body["advice"].startswith("Send less in one request")  # no recording was sent that could be shorter


def test_a_tone_calibrates_and_is_kept_as_it_was_sent(service: Service) -> None:
    add(service)
    answer = send_tone(service)
    assert answer.status_code == 201, answer.text
    made = answer.json
    # a sine of peak 0.25 at 1 V RMS: the one whose peak reaches full scale has 1 / 0.25 V RMS
    assert made["full_scale_v_rms"] == pytest.approx(1 / TONE_PEAK, rel=1e-4)
    assert made["full_scale_dbu"] == pytest.approx(20 * math.log10(1 / TONE_PEAK / DBU_V), abs=1e-3)
    assert made["expanded_uncertainty_db"] == pytest.approx(0.02 * 20 / math.log(10), abs=0.01)  # the meter's 2 %
    assert sum(line["standard_uncertainty_db"] ** 2 for line in made["budget"]) == pytest.approx(
        (made["expanded_uncertainty_db"] / 2) ** 2
    )
    assert made["by"] == "tone"
    assert made["tone"]["frequency_hz"] == pytest.approx(1000, rel=1e-4)
    assert made["tone"]["rms_dbfs"] == pytest.approx(20 * math.log10(TONE_PEAK / math.sqrt(2)), abs=0.005)
    assert made["tone"]["tone_v_rms"] == 1.0
    assert made["tone"]["file"]["name"] == "tone.wav"
    assert made["tone"]["harmonics_db"] < -60
    assert set(made) == set(CalibrationView.model_fields)
    assert set(made["tone"]) == set(ToneView.model_fields)
    audio = service.client.get(made["links"]["audio"], buffered=True)
    assert (audio.data, audio.mimetype) == (TONE, "audio/wav")
    part = service.client.get(made["links"]["audio"], buffered=True, headers={"Range": "bytes=4-11"})
    assert (part.status_code, part.data) == (206, TONE[4:12])
    assert service.client.get("/v1/chains/desk").json["calibrations"] == [made]


def test_a_tone_of_which_the_voltage_is_in_dbu_and_the_channel_is_named(service: Service) -> None:
    add(service)
    both = np.column_stack([np.zeros(2 * RATE_HZ), sine(seconds=2)])
    about = {"input_gain_db": 0, "tone_dbu": 0.0, "uncertainty_percent": 1, "channel": 2}
    made = send_tone(service, pcm16(both), about).json
    assert made["tone"]["tone_v_rms"] == pytest.approx(DBU_V)
    assert made["full_scale_v_rms"] == pytest.approx(DBU_V / TONE_PEAK, rel=1e-3)


@pytest.mark.parametrize(("field", "value"), [("tone_v_rms", 90.0), ("tone_dbu", 41.0)])
def test_a_voltage_that_makes_of_full_scale_what_no_input_has_is_refused(
    refusing: Service, field: str, value: float
) -> None:
    about = {"input_gain_db": 11.0, field: value, "uncertainty_percent": 2}  # the tone peaks 12 dB below full scale
    body = assert_problem(send_tone(refusing, about=about), 422, "invalid-request")
    (error,) = body["errors"]
    assert error["field"] == f"about.{field}"
    assert error["message"].startswith("makes full scale 3")  # 4 x 90 V = 360 V; 41 dBu are 86.9 V, 348 V
    assert "in volts, not in millivolts" in error["message"]
    assert kept_files(refusing) == []


def test_an_unfit_tone_is_refused_with_every_fault_and_nothing_of_it_is_kept(refusing: Service) -> None:
    rough = np.concatenate([sine(50.0, 1.5, 1.0) + 0.5 * sine(150.0, 1.5, 1.0)]).clip(-1, 1)
    body = assert_problem(send_tone(refusing, pcm16(rough)), 422, "tone-unfit")
    fields = [error["field"] for error in body["errors"]]
    assert "file.clipped" in fields
    assert len(fields) >= 2
    assert all(error["message"].endswith(".") for error in body["errors"])  # whole sentences, nothing cut
    assert refusing.client.get("/v1/chains/desk").json["calibrations"] == []
    assert kept_files(refusing) == []


HOSTILE = [
    (b"", 422, "empty-file"),
    (b"plainly no sound, whatever its name says", 415, "not-a-recording"),
    (wav(chunk(b"fmt ", fmt(85, 2, 44_100, 16)), chunk(b"data", bytes(400))), 415, "unsupported-encoding"),
    (wav(chunk(b"fmt ", fmt(1, 1, 48_000, 16)), chunk(b"data", b"")), 422, "no-samples"),
]


@pytest.mark.parametrize(("content", "status", "slug"), HOSTILE, ids=[row[2] for row in HOSTILE])
def test_a_file_that_is_no_tone_is_refused_before_it_is_opened(
    refusing: Service, content: bytes, status: int, slug: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibrating, "measure_reference", lambda *_, **__: pytest.fail("was opened"))
    assert_problem(send_tone(refusing, content), status, slug)
    assert kept_files(refusing) == []


def test_a_tone_that_can_not_be_decoded_is_the_files_fault(refusing: Service) -> None:
    whole = io.BytesIO()
    soundfile.write(whole, sine(), RATE_HZ, format="FLAC")
    content = bytearray(whole.getvalue())
    frame = content.index(b"\xff\xf8", 42)  # sync code of the first frame, RFC 9639 section 9.1
    content[frame + 20 :] = b"\xff" * (len(content) - frame - 20)
    assert_problem(send_tone(refusing, bytes(content)), 422, "unreadable-recording")
    assert kept_files(refusing) == []


@pytest.mark.parametrize(
    ("about", "fields"),
    [
        (None, ["about"]),
        ("{", ["about"]),
        ("[]", ["about"]),
        ({"input_gain_db": 1, "tone_v_rms": 1}, ["about.uncertainty_percent"]),
        ({"tone_v_rms": 1, "uncertainty_percent": 1}, ["about.input_gain_db"]),
        ({**TONE_ABOUT, "tone_dbu": 1.0}, ["about.tone_v_rms", "about.tone_dbu"]),
        ({"input_gain_db": 1, "uncertainty_percent": 1}, ["about.tone_v_rms", "about.tone_dbu"]),
        ({**TONE_ABOUT, "tone_v_rms": -1}, ["about.tone_v_rms"]),
        ({**TONE_ABOUT, "channel": 0}, ["about.channel"]),
        ({**TONE_ABOUT, "full_scale_dbu": 4}, ["about.full_scale_dbu"]),
    ],
)
def test_what_is_wrong_with_what_is_said_of_a_tone_is_named(refusing: Service, about: Any, fields: list[str]) -> None:
    body = assert_problem(send_tone(refusing, about=about), 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == fields
    assert kept_files(refusing) == []


@pytest.mark.parametrize(
    ("about", "field", "message"),
    [
        ("[]", "about", "is a JSON list; an object is wanted"),
        ('{"channel": 1, "channel": 2}', "about.channel", "the name 'channel' is given twice in one object"),
    ],
)
def test_what_is_said_of_a_tone_is_told_like_what_is_said_of_a_take(
    refusing: Service, about: str, field: str, message: str
) -> None:
    (error,) = assert_problem(send_tone(refusing, about=about), 422, "invalid-request")["errors"]
    assert error["field"] == field
    assert error["message"].endswith(message)


def test_the_multipart_body_of_a_tone_has_the_problems_of_a_take(refusing: Service) -> None:
    assert_problem(send_tone(refusing, extra="x"), 422, "unknown-part")
    assert_problem(send_tone(refusing, about="x" * 70_000), 422, "invalid-about")
    body, content_type = encode_multipart_formdata({"about": json.dumps(TONE_ABOUT)})
    here = "/v1/chains/desk/calibrations"
    assert_problem(refusing.client.post(here, data=body, content_type=content_type), 422, "no-file")
    assert_problem(refusing.client.post(here, data=body[:-20], content_type=content_type), 400, "broken-multipart")
    assert kept_files(refusing) == []


def test_a_tone_beyond_the_limit_in_bytes_is_refused(tmp_path: Path) -> None:
    with running_service(tmp_path, max_upload_bytes=100_000) as service:
        add(service)
        assert_problem(send_tone(service), 413, "too-large")
        assert kept_files(service) == []


def test_a_tone_for_a_chain_that_is_not_there_is_refused_before_it_is_read(service: Service) -> None:
    assert_problem(send_tone(service), 404, "chain-unknown")


def test_a_process_that_dies_over_a_tone_is_our_fault_and_is_logged(
    service: Service, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def dies(*_: object, **__: object) -> None:
        raise ReferenceFailed("The process that measures the tone died (by signal 11); look at the log.", "inside")

    add(service)
    monkeypatch.setattr(calibrating, "measure_reference", dies)
    body = assert_problem(send_tone(service, headers={"X-Request-Id": "tone-1"}), 500, "tone-failed")
    assert body["reference"] == "tone-1"
    assert "inside" not in json.dumps(body)
    assert "inside" in capsys.readouterr().out
    assert kept_files(service) == []
    monkeypatch.undo()
    assert send_tone(service).status_code == 201  # its place was given back


def test_more_tones_at_once_than_there_are_places_wait_and_are_told_to_come_back(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(service)
    monkeypatch.setattr(calibrating, "PLACE_WITHIN_S", 0.0)
    while service.bench.tones.acquire(blocking=False):
        pass
    answer = send_tone(service)
    assert_problem(answer, 503, "too-many-tones")
    assert "Retry-After" in answer.headers
    assert kept_files(service) == []


def test_the_service_never_opens_a_tone_itself(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the service opened a sound file")

    add(service)
    monkeypatch.setattr(reference, "open_recording", never)
    run, commands = subprocess.run, []
    monkeypatch.setattr(subprocess, "run", lambda command, **rest: (commands.append(command), run(command, **rest))[1])
    assert send_tone(service).status_code == 201
    (command,) = commands
    assert "coilbench_worker.reference" in command


def test_the_same_request_under_one_key_acts_once(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    first = add(service, name="a", headers={"Idempotency-Key": "k1"})
    again = add(service, name="a", headers={"Idempotency-Key": "k1"})
    assert (again.status_code, again.json) == (first.status_code, first.json)
    assert_problem(add(service, name="b", headers={"Idempotency-Key": "k1"}), 422, "idempotency-key-reused")
    numbers = [state(service, headers={"Idempotency-Key": "k2"}) for _ in range(2)]
    assert numbers[0].json == numbers[1].json
    tone = send_tone(service, headers={"Idempotency-Key": "k3"})
    monkeypatch.setattr(calibrating, "measure_reference", lambda *_, **__: pytest.fail("measured again"))
    assert send_tone(service, headers={"Idempotency-Key": "k3"}).json == tone.json
    other = {**TONE_ABOUT, "tone_v_rms": 1.1}
    assert_problem(send_tone(service, about=other, headers={"Idempotency-Key": "k3"}), 422, "idempotency-key-reused")
    assert len(service.client.get("/v1/chains/desk").json["calibrations"]) == 2
    with service.bench.keys.hold("k4"):
        assert_problem(state(service, headers={"Idempotency-Key": "k4"}), 409, "idempotency-key-in-flight")


def test_a_request_that_clashes_with_its_own_first_sending_gets_the_first_answer(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process may have ended it between our look and our act."""
    first = add(service, headers={"Idempotency-Key": "k1"})
    recall, looks = idempotency.recall, iter([False])

    def blind_once(*asked: Any) -> Any:
        return recall(*asked) if next(looks, True) else None

    monkeypatch.setattr(idempotency, "recall", blind_once)
    again = add(service, headers={"Idempotency-Key": "k1"})
    assert (again.status_code, again.json) == (201, first.json)
    assert_problem(add(service), 409, "chain-exists")


def test_after_a_deletion_a_key_is_new_again(service: Service) -> None:
    add(service, headers={"Idempotency-Key": "k1"})
    made = state(service, headers={"Idempotency-Key": "k2"}).json
    assert service.client.delete(made["links"]["self"]).status_code == 204
    assert_problem(service.client.get(made["links"]["self"]), 404, "calibration-unknown")
    assert_problem(service.client.delete(made["links"]["self"]), 404, "calibration-unknown")
    assert state(service, headers={"Idempotency-Key": "k2"}).json["id"] != made["id"]
    service.client.delete("/v1/chains/desk")
    anew = add(service, headers={"Idempotency-Key": "k1"})
    assert (anew.status_code, anew.json["calibrations"]) == (201, [])


def test_a_chains_tag_changes_with_its_calibrations(service: Service) -> None:
    add(service)
    tag = service.client.get("/v1/chains/desk").headers["ETag"]
    assert service.client.get("/v1/chains/desk", headers={"If-None-Match": tag}).status_code == 304
    state(service)
    assert service.client.get("/v1/chains/desk", headers={"If-None-Match": tag}).status_code == 200


def test_a_take_and_a_calibration_of_the_same_bytes_do_not_take_them_from_each_other(service: Service) -> None:
    add(service)
    take = service.sent(TONE, "tone.wav")
    made = send_tone(service).json
    assert len(kept_files(service)) == 1
    assert service.client.delete(take["links"]["self"]).status_code == 204
    assert service.client.get(made["links"]["audio"], buffered=True).data == TONE
    again = service.sent(TONE, "tone.wav")
    assert service.client.delete("/v1/chains/desk").status_code == 204
    assert service.client.get(again["links"]["audio"], buffered=True).data == TONE
    service.client.delete(again["links"]["self"])
    assert kept_files(service) == []


def test_takes_can_be_chosen_by_their_chain(service: Service) -> None:
    service.sent(strums_wav(count=1), "a.wav", {"chain": "desk"})
    service.sent(strums_wav(count=1), "b.wav", {"chain": "box"})
    service.sent(strums_wav(count=1), "c.wav")
    (found,) = service.client.get("/v1/takes?chain=desk").json["items"]
    (row,) = service.client.get("/v1/table?chain=desk").json["items"]
    assert (found["file"]["name"], row["file"]) == ("a.wav", "a.wav")
    assert service.client.get("/v1/takes?chain=none").json["items"] == []
