"""Sending: nothing twice, nothing lost, on after an error."""

from __future__ import annotations

from pathlib import Path

import pytest

import coilbench
from coilbench import Client, Patience
from coilbench.parcels import Parcel
from coilbench.sending import Sender
from unit.client.contract_service import ContractService


def test_a_folder_gives_its_sound_files_with_their_bytes(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    sent = bench.send(recordings)
    assert [item.file.name for item in sent] == ["a.wav", "b.flac", "c.AIFF"]
    assert [item.outcome for item in sent] == ["sent"] * 3
    assert [take["file"]["bytes"] for take in service.takes.values()] == [5000, 6000, 6000]
    assert sent[0].take is not None
    assert service.takes[sent[0].take.id]["file"]["name"] == "a.wav"


def test_a_pattern_gives_the_files_that_fit(bench: Client, recordings: Path) -> None:
    sent = bench.send(f"{recordings}/*.wav")
    assert [item.file.name for item in sent] == ["a.wav"]


def test_the_same_bytes_with_the_same_description_are_not_sent_again(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    first = bench.send(recordings, about={"pickup": "mill-bridge", "weather": "dry", "tags": ["b", "a"]})
    again = bench.send(recordings, about={"tags": ("a", "b"), "pickup": "mill-bridge", "extra": {"weather": "dry"}})
    assert [item.outcome for item in again] == ["already-there"] * 3
    assert [item.take.id for item in again if item.take] == [item.take.id for item in first if item.take]
    assert len(service.posted()) == 3


def test_the_same_bytes_described_differently_are_another_take(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    bench.send(recordings / "a.wav", about={"expected_strums": 4})
    again = bench.send(recordings / "a.wav", about={"expected_strums": 5})
    assert again[0].outcome == "sent"
    assert [take["about"] for take in service.takes.values()] == [{"expected_strums": 4}, {"expected_strums": 5}]


def test_the_key_of_a_sending_is_the_same_in_every_run_and_differs_with_the_description(
    service: ContractService, recordings: Path
) -> None:
    keys = []
    for about in ({"label": "x"}, {"label": "x"}, {"label": "y"}):
        service.takes.clear()
        service.remembered.clear()
        with Client(service.url) as client:
            client.send(recordings / "a.wav", about=about)
        keys.append(service.posted()[-1].headers["Idempotency-Key"])
    assert keys[0] == keys[1] != keys[2]


def test_an_answer_lost_after_the_take_was_accepted_leads_to_one_take(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    service.fail("POST", "/v1/takes", lose="after")
    sent = bench.send(recordings / "a.wav")
    assert sent[0].outcome == "sent"
    assert len(service.takes) == 1
    first, second = service.posted()
    assert first.headers["Idempotency-Key"] == second.headers["Idempotency-Key"]
    assert b"a.wav" * 1000 in second.body


def test_a_take_that_was_deleted_can_be_sent_again(bench: Client, service: ContractService, recordings: Path) -> None:
    first = bench.send(recordings / "a.wav")[0].take
    assert first is not None
    bench.delete(first.id)
    again = bench.send(recordings / "a.wav")[0]
    assert again.outcome == "sent"
    assert again.take is not None
    assert list(service.takes) == [again.take.id] != [first.id]


def test_a_take_described_anew_since_does_not_stand_in_for_the_first_description(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    first = bench.send(recordings / "a.wav", about={"label": "one"})[0].take
    assert first is not None
    bench.describe(first.id, label="two")
    bench.send(recordings / "a.wav", about={"label": "one"})
    assert sorted(take["about"]["label"] for take in service.takes.values()) == ["one", "two"]


def test_one_refused_file_does_not_stop_the_others(bench: Client, service: ContractService, recordings: Path) -> None:
    problem = {"type": "/problems/not-a-recording", "title": "Not sound", "status": 415, "advice": "Send a WAV."}
    service.fail("POST", "/v1/takes", 415, body=problem)
    with pytest.raises(coilbench.NotAllSent, match=r"1 of 3 files.*\n.*a.wav: Not sound. Send a WAV.") as caught:
        bench.send(recordings)
    assert [item.file.name for item in caught.value.sent] == ["b.flac", "c.AIFF"]
    assert isinstance(caught.value.failed[0].error, coilbench.NotARecording)
    assert len(service.takes) == 2


def test_a_missing_file_of_a_manifest_fails_by_itself(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    manifest = recordings / "takes.csv"
    manifest.write_text("file,pickup\na.wav,mill-bridge\ngone.wav,mill-neck\n")
    with pytest.raises(
        coilbench.NotAllSent, match=r"gone.wav can't be read: there is no such file \(takes.csv, line 3\)"
    ):
        bench.send(manifest=manifest)
    assert [take["about"] for take in service.takes.values()] == [{"pickup": "mill-bridge"}]


def test_a_dry_run_sends_nothing_and_tells_what_is_there(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    bench.send(recordings / "a.wav")
    outcomes = [item.outcome for item in bench.send(recordings, dry_run=True)]
    assert outcomes == ["already-there", "would-send", "would-send"]
    assert len(service.takes) == 1


def test_a_file_that_changes_on_its_way_is_reported(
    service: ContractService, bench: Client, recordings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbench.sending.digest", lambda path: "0" * 64)
    with pytest.raises(coilbench.NotAllSent, match="changed while it was being sent"):
        bench.send(recordings / "a.wav")


def test_a_service_that_is_not_there_ends_the_run_at_once(recordings: Path) -> None:
    waited: list[float] = []
    client = Client("http://127.0.0.1:9", retries=Patience(pause=waited.append))
    with client, pytest.raises(coilbench.NotReachable, match=r"connection refused.*coilbench-server up"):
        client.send(recordings)
    assert len(waited) == 2


def test_a_recording_is_not_held_in_memory(bench: Client, service: ContractService, tmp_path: Path) -> None:
    reads: list[int] = []
    path = tmp_path / "long.wav"
    path.write_bytes(bytes(3_000_000))

    def watch(count: int) -> None:
        reads.append(count)

    sent = Sender(bench._transport).send(Parcel(path), watch)
    assert sent.outcome == "sent"
    assert sum(reads) > 3_000_000
    assert max(reads) < 100_000


def test_nothing_to_send_says_so(bench: Client, tmp_path: Path) -> None:
    with pytest.raises(coilbench.NothingToSend, match="no sound file"):
        bench.send(tmp_path)
    with pytest.raises(coilbench.NothingToSend, match=r"There is no file or folder .*gone"):
        bench.send(tmp_path / "gone")
    with pytest.raises(coilbench.NothingToSend, match="No file fits"):
        bench.send(f"{tmp_path}/*.wav")
    with pytest.raises(coilbench.NothingToSend, match="Name a folder"):
        bench.send()


def test_a_file_whose_name_is_no_text_is_sent(bench: Client, tmp_path: Path) -> None:
    name = tmp_path / "old \udcff.wav"
    name.write_bytes(b"sound")
    bench.send(name)
    assert [take.file_name for take in bench.takes()] == ["old ?.wav"]
