"""The life of a take over HTTP: sent, waited for, listed, described anew, measured again, fetched, deleted."""

from __future__ import annotations

import hashlib
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from waitress.buffers import ReadOnlyFileBasedBuffer
from werkzeug.test import EnvironBuilder, TestResponse

from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.store import takes
from coilbench_worker.store.blobs import Blobs
from http_recordings import pcm16, strums, strums_wav
from http_service import Service, assert_problem

DEADLINE_S = 30
ABOUT = {"label": "first", "session": "spring-1", "pickup": "harbour-neck", "expected_strums": 3, "input_gain_db": 12}


@pytest.fixture(scope="module")
def good() -> bytes:
    """A take that can be measured."""
    return strums_wav()


def test_a_take_is_accepted_with_all_that_the_contract_says(service: Service, good: bytes) -> None:
    answer = service.send(good, "strum 1.wav", {**ABOUT, "humidity": 41})
    take = answer.json
    assert (answer.status_code, answer.headers["Location"]) == (202, f"/v1/takes/{take['id']}")
    assert take["state"] == "waiting"
    assert take["file"] == {"name": "strum 1.wav", "bytes": len(good), "sha256": hashlib.sha256(good).hexdigest()}
    assert take["about"] == {**ABOUT, "extra": {"humidity": 41}}
    assert take["problem"] is None
    assert take["created"].endswith("Z")
    assert datetime.fromisoformat(take["created"]) <= datetime.now(UTC)
    assert set(take["links"]) == {"self", "measurement", "audio"}
    assert service.client.get(take["links"]["self"]).json == take


def test_a_measured_take_has_the_measurement_of_the_contract(service: Service, good: bytes) -> None:
    take = service.measured(good, about=ABOUT)
    assert take["state"] == "measured", take["problem"]
    measurement = service.client.get(take["links"]["measurement"]).json
    assert measurement["take"] == take["id"]
    assert measurement["settings"]["expected_strums"] == 3
    assert measurement["audio"]["sample_rate_hz"] == 48_000
    assert len(measurement["strums"]) == 3
    for number, strum in enumerate(measurement["strums"]):
        assert strum["number"] == number + 1
        assert strum["onset_s"] == pytest.approx(0.5 + number, abs=0.005)  # where http_recordings put it
    scalars = {quantity.key for quantity in QUANTITIES if quantity.of == "strum" and not quantity.parts}
    assert set(measurement["strums"][0]["quantities"]) == scalars
    assert measurement["usable"] is True


def test_a_measurement_that_is_not_there_yet_is_a_conflict_that_passes(service: Service, good: bytes) -> None:
    take = service.sent(good)
    answer = service.client.get(take["links"]["measurement"])
    body = assert_problem(answer, 409, "not-measured-yet")
    assert body["state"] == "waiting"
    assert answer.headers["Retry-After"] == "1"


def test_a_failed_take_says_that_it_is_our_fault_and_can_be_measured_again(
    service: Service, good: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a bug")

    with monkeypatch.context() as patch:
        patch.setattr("coilbench_worker.measuring.measure_take", broken)
        take = service.measured(good)
    assert take["state"] == "failed"
    body = assert_problem(service.client.get(take["links"]["measurement"]), 409, "measuring-failed")
    assert body["state"] == "failed"
    assert body["log_reference"] in body["detail"]
    again = service.client.post(take["links"]["measurement"], json={})
    assert (again.status_code, again.json["state"]) == (202, "waiting")
    service.work()
    assert service.client.get(take["links"]["measurement"]).status_code == 200


def test_takes_are_listed_filtered_and_paged_in_the_order_of_arrival(service: Service, good: bytes) -> None:
    client = service.client
    sent = [service.sent(good, about={"session": f"s{number % 2}", "label": str(number)}) for number in range(5)]
    ids = [take["id"] for take in sent]
    first = client.get("/v1/takes?limit=2&session=s0")
    assert [take["id"] for take in first.json["items"]] == [ids[0], ids[2]]
    assert first.headers["Link"] == f'</v1/takes?limit=2&session=s0&cursor={first.json["next"]}>; rel="next"'
    second = client.get(first.headers["Link"].split(">")[0][1:])
    assert [take["id"] for take in second.json["items"]] == [ids[4]]
    assert second.json["next"] is None
    assert "Link" not in second.headers

    def listed(question: str) -> list[str]:
        return [take["id"] for take in client.get(f"/v1/takes?{question}").json["items"]]

    assert listed("") == ids
    assert listed("state=waiting") == ids
    assert listed("state=measured,rejected") == []
    assert listed("state=measured&state=waiting") == ids
    assert listed(f"sha256={sent[0]['file']['sha256'].upper()}") == ids
    assert listed(f"sha256={'0' * 64}") == []
    assert listed(f"since={sent[3]['created']}") == ids[3:]
    assert listed(f"id={ids[1]},{ids[3]}") == [ids[1], ids[3]]


def test_a_description_is_changed_without_measuring_again(service: Service, good: bytes) -> None:
    take = service.measured(good, about=ABOUT)
    made = service.client.get(take["links"]["measurement"]).json["made"]
    changed = service.client.patch(
        take["links"]["self"],
        json={"about": {"label": "second", "input_gain_db": None, "room": "B"}},
        content_type="application/merge-patch+json",
    )
    assert changed.status_code == 200
    assert changed.json["state"] == "measured"
    assert changed.json["about"]["label"] == "second"
    assert changed.json["about"]["extra"] == {"room": "B"}
    measurement = service.client.get(take["links"]["measurement"]).json
    assert measurement["made"] == made
    assert "gain-unknown" in [check["code"] for check in measurement["checks"]]
    assert service.client.get("/v1/takes?session=spring-1").json["items"][0]["about"]["label"] == "second"


def test_another_number_of_strums_has_the_take_measured_again(service: Service, good: bytes) -> None:
    take = service.measured(good, about=ABOUT)
    changed = service.client.patch(take["links"]["self"], json={"about": {"expected_strums": 2}})
    assert changed.json["state"] == "waiting"
    service.work()
    measurement = service.client.get(take["links"]["measurement"]).json
    assert measurement["settings"]["expected_strums"] == 2
    back = service.client.patch(take["links"]["self"], json={"about": {"expected_strums": 3}})
    assert back.json["state"] == "measured"  # that measurement is there already


def test_other_settings_are_measured_once(service: Service, good: bytes) -> None:
    take = service.measured(good, about=ABOUT)
    settings = {"settings": {"level_window_s": [0, 0.3]}}
    first = service.client.post(take["links"]["measurement"], json=settings)
    assert (first.status_code, first.json["state"]) == (202, "waiting")
    assert first.headers["Location"] == take["links"]["self"]
    service.work()
    measurement = service.client.get(take["links"]["measurement"]).json
    assert measurement["settings"]["level_window_s"] == [0, 0.3]
    assert measurement["settings"]["expected_strums"] == 3
    second = service.client.post(take["links"]["measurement"], json=settings)
    assert (second.status_code, second.json["state"]) == (200, "measured")
    bad = service.client.post(take["links"]["measurement"], json={"settings": {"channel": "left"}})
    body = assert_problem(bad, 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == ["settings.channel"]


def test_a_deleted_take_is_gone_and_its_recording_goes_with_the_last(service: Service, good: bytes) -> None:
    def recordings() -> list[Path]:
        return [path for path in Path(service.configuration.blobs).glob("*/*") if path.is_file()]

    first, second = service.sent(good), service.sent(good)
    assert len(recordings()) == 1
    assert service.client.delete(first["links"]["self"]).status_code == 204
    assert_problem(service.client.get(first["links"]["self"]), 404, "take-not-found")
    assert_problem(service.client.delete(first["links"]["self"]), 404, "take-not-found")
    assert service.client.get(second["links"]["audio"], buffered=True).data == good
    assert service.client.delete(second["links"]["self"]).status_code == 204
    assert recordings() == []


def test_the_recording_comes_back_byte_for_byte_and_in_parts(service: Service, good: bytes) -> None:
    take = service.sent(good, "Tüne €.wav")

    def get(**headers: str) -> Any:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return service.client.get(take["links"]["audio"], headers=named, buffered=True)

    whole = get()
    assert (whole.status_code, whole.mimetype, whole.data) == (200, "audio/wav", good)
    assert whole.headers["Content-Length"] == str(len(good))
    assert whole.headers["Accept-Ranges"] == "bytes"
    assert whole.headers["Content-Disposition"].endswith("filename*=UTF-8''T%C3%BCne%20%E2%82%AC.wav")
    assert whole.headers["ETag"] == f'"{take["file"]["sha256"]}"'
    for asked, start, stop in (
        ("bytes=0-43", 0, 44),
        ("bytes=1000-", 1000, len(good)),
        ("bytes=-7", len(good) - 7, len(good)),
    ):
        part = get(Range=asked)
        assert (part.status_code, part.data) == (206, good[start:stop])
        assert part.headers["Content-Range"] == f"bytes {start}-{stop - 1}/{len(good)}"
    past = get(Range=f"bytes={len(good)}-")
    assert_problem(past, 416, "range-not-satisfiable")
    assert past.headers["Content-Range"] == f"bytes */{len(good)}"
    assert get(If_None_Match=whole.headers["ETag"]).status_code == 304
    assert get(Range="bytes=0-3", If_Range='"other"').status_code == 200
    more = get(Range=f"bytes=-{2 * len(good)}")  # RFC 9110 section 14.1.2: a suffix longer than all of it is all of it
    assert (more.status_code, more.data) == (206, good)
    for not_ours in ("items=0-5", "bytes=0-0,4-7", "bytes=a-b"):  # section 14.2: ignored
        assert (get(Range=not_ours).status_code, get(Range=not_ours).data) == (200, good)
    head = service.client.head(take["links"]["audio"], buffered=True)
    assert (head.headers["Content-Length"], head.data) == (str(len(good)), b"")


def test_a_part_of_the_recording_goes_out_as_a_file_so_that_a_slow_reader_holds_no_thread(
    service: Service, good: bytes
) -> None:
    take = service.sent(good)
    headers = {"Host": "localhost", "Range": "bytes=100-299"}
    environ = EnvironBuilder(take["links"]["audio"], headers=headers).get_environ()
    environ["wsgi.file_wrapper"] = ReadOnlyFileBasedBuffer  # waitress sends these from its loop
    sent = service.app.wsgi_app(environ, lambda *_: lambda _: None)
    assert isinstance(sent, ReadOnlyFileBasedBuffer)
    assert sent.prepare(200) == 200
    assert sent.get() == good[100:300]
    sent.close()


def test_audio_of_a_take_that_is_deleted_as_it_is_asked_for_is_a_take_that_is_not_there(
    service: Service, good: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = service.sent(good)
    blobs = type(service.bench.blobs)
    opened = blobs.open

    def deleted_first(self: Blobs, key: str, size: int) -> BinaryIO:
        assert service.client.delete(take["links"]["self"]).status_code == 204
        return opened(self, key, size)

    monkeypatch.setattr(blobs, "open", deleted_first)
    assert_problem(service.client.get(take["links"]["audio"]), 404, "take-not-found")


@pytest.mark.parametrize("address", ["/v1/quantities", "/v1/checks", "/v1/openapi.json", "/problems"])
def test_what_rarely_changes_is_sent_once(service: Service, address: str) -> None:
    first = service.client.get(address)
    assert first.headers["ETag"].startswith('W/"')
    again = service.client.get(address, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")


def test_a_measurement_is_sent_once_until_it_changes(service: Service, good: bytes) -> None:
    take = service.measured(good)
    tag = service.client.get(take["links"]["measurement"]).headers["ETag"]
    asked = {"If-None-Match": tag}
    assert service.client.get(take["links"]["measurement"], headers=asked).status_code == 304
    service.client.patch(take["links"]["self"], json={"about": {"input_gain_db": 3}})
    assert service.client.get(take["links"]["measurement"], headers=asked).status_code == 200


def test_what_must_be_a_certain_state_is_sent_when_it_is_and_else_refused_without_it(
    service: Service, good: bytes
) -> None:
    """RFC 9110 sections 13.1.1 (If-Match, compared strongly), 13.1.4 (If-Unmodified-Since), 13.2.2 (their order)."""
    take = service.measured(good)
    audio = service.client.get(take["links"]["audio"], buffered=True)
    strong, moment = audio.headers["ETag"], audio.headers["Last-Modified"]

    def ask(address: str, **headers: str) -> TestResponse:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return service.client.get(address, headers=named, buffered=True)

    sound = take["links"]["audio"]
    for passing in ("*", strong, f'"x", {strong}'):
        assert ask(sound, If_Match=passing).data == good
        assert ask(sound, If_Match=passing, Range="bytes=0-3").status_code == 206
        assert ask(sound, If_Match=passing, If_None_Match=strong).status_code == 304
    for failing in ('"x"', f"W/{strong}"):
        for further in ({}, {"Range": "bytes=0-3"}, {"If_None_Match": strong}):
            assert_problem(ask(sound, If_Match=failing, **further), 412, "precondition-failed")
    early = "Thu, 01 Jan 1970 00:00:01 GMT"
    assert ask(sound, If_Unmodified_Since=moment).data == good
    assert ask(sound, If_Unmodified_Since="nonsense").data == good
    assert_problem(ask(sound, If_Unmodified_Since=early), 412, "precondition-failed")
    assert ask(sound, If_Match="*", If_Unmodified_Since=early).data == good
    for address in (take["links"]["self"], take["links"]["measurement"], "/v1/quantities", "/problems/no-file"):
        weak = ask(address).headers["ETag"]
        assert ask(address, If_Match="*").status_code == 200
        assert_problem(ask(address, If_Match=weak), 412, "precondition-failed")
    files = ("/v1/docs/assets/css/swagger-ui.css", "/v1/table?format=xlsx")
    for address in files:
        assert ask(address, If_Match="*").status_code == 200
        assert_problem(ask(address, If_Match='"x"'), 412, "precondition-failed")
    gone = ask("/v1/takes/01890000-0000-7000-8000-000000000000", If_Match="*")
    assert_problem(gone, 404, "take-not-found")


def test_what_must_be_a_certain_state_is_changed_and_deleted_when_it_is_and_else_left_alone(
    service: Service, good: bytes
) -> None:
    take = service.sent(good, about={"label": "old"})
    chain = service.client.post("/v1/chains", json={"key": "desk", "name": "old"}).json
    stated = {"input_gain_db": 1, "full_scale_dbu": 1, "uncertainty_db": 1}
    calibration = service.client.post(chain["links"]["calibrations"], json=stated).json["links"]["self"]
    assert_problem(service.client.delete(calibration, headers={"If-Match": '"x"'}), 412, "precondition-failed")
    chain = service.client.get("/v1/chains/desk").json
    assert len(chain["calibrations"]) == 1
    early, late = "Thu, 01 Jan 1970 00:00:01 GMT", "Fri, 01 Jan 2100 00:00:00 GMT"
    for here, change in ((take, {"about": {"label": "new"}}), (chain, {"name": "new"})):
        address = here["links"]["self"]
        tag = service.client.get(address).headers.get("ETag", '"x"')
        not_tags = ({"If-Match": text} for text in ('x"', 'W/W/"x"', "x", ""))
        for failing in ({"If-Match": tag}, {"If-Match": '"x"'}, *not_tags, {"If-Unmodified-Since": early}):
            for method in ("PATCH", "DELETE"):
                answer = service.client.open(address, method=method, json=change, headers=failing)
                assert "If-Unmodified-Since" in assert_problem(answer, 412, "precondition-failed")["advice"]
        assert service.client.get(address).json["updated"] == here["updated"]
        changed = service.client.patch(address, json=change, headers={"If-Match": "*"})
        assert changed.status_code == 200
        assert service.client.delete(address, headers={"If-Unmodified-Since": late}).status_code == 204
        assert service.client.delete(address, headers={"If-Match": "*"}).status_code == 404


def test_the_same_request_under_one_key_makes_one_take(service: Service, good: bytes) -> None:
    key = {"Idempotency-Key": "8e03978e-40d5-43e8-bc93-6894a57f9324"}
    first = service.send(good, about=ABOUT, headers=key)
    service.work()
    again = service.send(good, about=dict(reversed(ABOUT.items())), headers=key)
    assert (again.status_code, again.json) == (first.status_code, first.json)
    assert again.headers["Location"] == first.headers["Location"]
    for changes in ({"content": strums_wav(count=2)}, {"name": "other.wav"}, {"about": {"label": "x"}}):
        other = {"content": good, "about": ABOUT, **changes}
        assert_problem(service.send(**other, headers=key), 422, "idempotency-key-reused")
    assert len(service.client.get("/v1/takes").json["items"]) == 1


def test_a_key_works_for_measuring_again_as_well(service: Service, good: bytes) -> None:
    take = service.measured(good)
    key, settings = {"Idempotency-Key": "again-1"}, {"settings": {"level_window_s": [0, 0.3]}}
    first = service.client.post(take["links"]["measurement"], json=settings, headers=key)
    service.work()
    again = service.client.post(take["links"]["measurement"], json=settings, headers=key)
    assert (again.status_code, again.json) == (first.status_code, first.json)
    other = service.client.post(take["links"]["measurement"], json={}, headers=key)
    assert_problem(other, 422, "idempotency-key-reused")


def test_the_answer_under_a_key_goes_with_its_take(service: Service, good: bytes) -> None:
    key = {"Idempotency-Key": "goes-too"}
    first = service.send(good, headers=key)
    service.work()
    address = first.json["links"]["measurement"]
    again = {"json": {"settings": {"level_window_s": [0, 0.3]}}, "headers": {"Idempotency-Key": "again-2"}}
    assert service.client.post(address, **again).status_code == 202
    assert service.client.delete(first.headers["Location"]).status_code == 204
    assert_problem(service.client.post(address, **again), 404, "take-not-found")
    anew = service.send(good, headers={**key, "Prefer": "wait=0"})
    assert anew.status_code == 202, anew.text
    assert anew.json["id"] != first.json["id"]
    assert service.client.get(anew.headers["Location"]).status_code == 200
    assert service.send(good, headers=key).json == anew.json


def test_a_request_whose_first_sending_is_still_being_answered_is_told_to_wait(service: Service, good: bytes) -> None:
    with service.bench.keys.hold("busy"):
        body = assert_problem(service.send(good, headers={"Idempotency-Key": "busy"}), 409, "idempotency-key-in-flight")
    assert "busy" in body["detail"]
    assert service.send(good, headers={"Idempotency-Key": "busy"}).status_code == 202


def test_two_processes_with_one_key_make_one_take(service: Service, good: bytes) -> None:
    """The second process has its own keys in flight, and learns of the first at its commit."""
    from coilbench_service import acceptance

    first = service.send(good, headers={"Idempotency-Key": "shared"})
    real, looks = acceptance.idempotency.recall, iter([True])

    def blind_once(connection: Any, key: Any, request_sha256: str) -> Any:
        return None if next(looks, False) else real(connection, key, request_sha256)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(acceptance.idempotency, "recall", blind_once)
        second = service.send(good, headers={"Idempotency-Key": "shared"})
    assert second.json == first.json
    assert len(service.client.get("/v1/takes").json["items"]) == 1


def test_an_answer_is_held_until_the_take_is_measured(service: Service, good: bytes) -> None:
    answers: list[Any] = []
    sending = threading.Thread(
        target=lambda: answers.append(service.send(good, headers={"Prefer": f"wait={DEADLINE_S}"}))
    )
    sending.start()
    work_until(service, lambda: bool(answers))
    sending.join(DEADLINE_S)
    (answer,) = answers
    assert (answer.status_code, answer.json["state"]) == (201, "measured")
    assert answer.headers["Preference-Applied"] == f"wait={DEADLINE_S}"
    assert answer.headers["Location"] == answer.json["links"]["self"]


def test_a_wait_that_runs_out_answers_with_the_take_as_it_is(service: Service, good: bytes) -> None:
    answer = service.send(good, headers={"Prefer": "wait=0"})
    assert (answer.status_code, answer.json["state"]) == (202, "waiting")
    got = service.client.get(answer.json["links"]["self"], headers={"Prefer": "wait=0"})
    assert (got.status_code, got.headers["Preference-Applied"]) == (200, "wait=0")
    measurement = service.client.get(answer.json["links"]["measurement"], headers={"Prefer": "wait=0"})
    assert_problem(measurement, 409, "not-measured-yet")


def test_a_take_deleted_while_it_is_waited_for_is_not_found(service: Service, good: bytes) -> None:
    take = service.sent(good)
    answers: list[Any] = []
    headers = {"Prefer": f"wait={DEADLINE_S}"}
    waiting = threading.Thread(
        target=lambda: answers.append(service.client.get(take["links"]["self"], headers=headers))
    )
    waiting.start()
    service.client.delete(take["links"]["self"])
    waiting.join(DEADLINE_S)
    assert_problem(answers[0], 404, "take-not-found")


def test_the_metrics_count_takes_by_state_and_requests(service: Service, good: bytes) -> None:
    service.measured(good)
    service.sent(good)
    lines = service.client.get("/metrics").text.splitlines()
    assert 'coilbench_takes{state="measured"} 1.0' in lines
    assert 'coilbench_takes{state="waiting"} 1.0' in lines
    assert 'coilbench_requests_total{method="POST",route="/v1/takes",status="202"} 2.0' in lines


def test_a_take_that_was_accepted_is_there_when_the_broker_is_away(service: Service, good: bytes) -> None:
    service.bench.dispatcher.close()
    take = service.sent(good)
    with service.bench.database.read() as connection:
        assert takes.get(connection, take["id"]) is not None


def test_stereo_takes_need_a_channel_and_get_it_by_patch(service: Service) -> None:
    content = pcm16(np.stack([strums(), strums()[::-1]], axis=1))
    take = service.measured(content)
    assert (take["state"], take["problem"]["type"]) == ("rejected", "/problems/channel-choice")
    patched = service.client.patch(take["links"]["self"], json={"about": {"channel": 1}})
    assert patched.json["state"] == "waiting"
    service.work()
    measurement = service.client.get(take["links"]["measurement"]).json
    assert measurement["audio"]["channel_used"] == 1


def work_until(service: Service, done: Any) -> None:
    """Do waiting jobs again and again until it is done."""
    ticks = threading.Event()
    for _ in range(DEADLINE_S * 20):
        if done():
            return
        service.work()
        ticks.wait(0.05)
    raise AssertionError("not done in time")
