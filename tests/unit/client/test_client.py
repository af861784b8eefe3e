"""The client's other calls: lists over pages, waiting, measurements, descriptions."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

import coilbench
from coilbench import Client
from coilbench.waiting import wait_for
from unit.client.contract_service import ContractService


def test_takes_come_over_all_pages(bench: Client, service: ContractService) -> None:
    service.page_size = 2
    for number in range(5):
        service.add(bytes([number]), f"{number}.wav", {"pickup": "mill"}, "measured")
    service.add(b"x", "x.wav", {"pickup": "harbour"}, "measured")
    assert [take.file_name for take in bench.takes(pickup="mill")] == [f"{number}.wav" for number in range(5)]
    assert len(service.requests("GET", "/v1/takes")) == 3


def test_filters_go_along_and_may_have_several_values(bench: Client, service: ContractService) -> None:
    list(bench.takes(state=("waiting", "measuring"), session=None, since="2030-01-01"))
    assert service.seen[-1].query == {"state": ["waiting", "measuring"], "since": ["2030-01-01"], "limit": ["500"]}
    list(bench.takes(since=datetime(2030, 1, 1, 2, tzinfo=timezone(timedelta(hours=2)))))
    assert service.seen[-1].query["since"] == ["2030-01-01T00:00:00Z"]


def test_a_filter_that_there_is_not_is_refused(bench: Client) -> None:
    with pytest.raises(TypeError, match="'colour' is no filter; there are state, session"):
        list(bench.takes(colour="red"))  # type: ignore[call-arg]


def test_waiting_ends_when_all_is_measured(bench: Client, service: ContractService, recordings: Path) -> None:
    service.looks_until_measured = 3
    takes = bench.wait(bench.send(recordings))
    assert [take.state for take in takes] == ["measured"] * 3
    assert service.requests("GET", "/v1/takes/t1")[-1].headers["Prefer"] == "wait=20"


def test_waiting_takes_ids_and_ends_at_once_for_what_is_final(bench: Client, service: ContractService) -> None:
    service.reject(service.add(b"x", "x.wav", {}))
    (take,) = bench.wait("t1")
    assert take.problem is not None
    assert take.problem.slug == "no-strums"
    assert take.problem.sentence() == "The loudest moment is at -71 dBFS. Check the cable and record again."


def test_waiting_gives_up_when_its_time_is_up(bench: Client, service: ContractService) -> None:
    service.looks_until_measured = 10_000
    service.add(b"x", "x.wav", {})
    ticks = iter(range(1000))
    with pytest.raises(coilbench.StillMeasuring, match=r"1 of 1 takes are not measured after 30 s.*worker") as caught:
        wait_for(bench._transport, list(bench.takes()), timeout_s=30, clock=lambda: float(next(ticks)))
    assert [take.id for take in caught.value.takes] == ["t1"]


def test_a_service_that_answers_at_once_is_not_hammered(
    bench: Client, service: ContractService, waited: list[float]
) -> None:
    service.looks_until_measured = 4
    service.add(b"x", "x.wav", {})
    wait_for(bench._transport, list(bench.takes()), clock=lambda: 0.0)
    assert waited == [0.5, 0.5, 0.5]


def test_a_measurement_is_typed_and_whole(bench: Client, service: ContractService) -> None:
    service.add(b"x", "x.wav", {}, "measured")["checks"] = "clipped"
    measurement = bench.measurement("t1")
    assert measurement.usable
    assert measurement.checks[0].code == "clipped"
    assert measurement.strums[0].quantities == {"rms_dbfs": -20.0, "peak_mv": None}
    assert measurement.strums[0].bands == {"octave_db": {"63": -30.0}}
    assert measurement.strums[0].reasons == {"peak_mv": "the description names no chain"}
    assert measurement.reasons == {"hum_hz": "no mains line stands out"}
    assert measurement.calibration is None
    assert measurement.document["audio"]["sample_rate_hz"] == 48000


def test_describing_changes_and_removes(bench: Client, service: ContractService) -> None:
    service.add(b"x", "x.wav", {"label": "old", "pickup": "mill"})
    take = bench.describe("t1", label="new", pickup=None)
    assert take.about == {"label": "new"}
    assert service.requests("PATCH")[0].headers["Content-Type"] == "application/json"


def test_a_take_that_is_gone_is_not_found(bench: Client, service: ContractService) -> None:
    service.add(b"x", "x.wav", {})
    bench.delete("t1")
    with pytest.raises(coilbench.NotFound, match="There is no such take"):
        bench.take("t1")


def test_an_id_can_not_leave_its_place_in_the_address(bench: Client, service: ContractService) -> None:
    with pytest.raises(coilbench.NotFound):
        bench.take("../table")
    assert service.seen[-1].path == "/v1/takes/..%2Ftable"


def test_catalogues_are_read(bench: Client) -> None:
    assert [quantity.unit for quantity in bench.quantities()] == ["dBFS"]
    assert [kind.advice for kind in bench.checks()] == ["Turn down."]


def test_a_table_comes_over_all_pages_with_its_columns(bench: Client, service: ContractService) -> None:
    service.page_size = 2
    for number in range(3):
        service.add(bytes([number]), f"{number}.wav", {}, "measured")
    table = bench.table(per="strum", quantities=["rms_dbfs", "crest_db"], state="measured")
    assert [row["file"] for row in table] == ["0.wav", "1.wav", "2.wav"]
    assert table.columns[-1] == coilbench.Column("rms_dbfs", "Rms_Dbfs", "dBFS")
    query = service.requests("GET", "/v1/table")[0].query
    assert query["quantities"] == ["rms_dbfs,crest_db"]
    assert query["per"] == ["strum"]


def test_a_table_of_some_takes_has_their_rows_only(bench: Client, service: ContractService, recordings: Path) -> None:
    service.add(b"before", "before.wav", {}, "measured")
    sent = bench.send(recordings)
    service.add(b"after", "after.wav", {}, "measured")
    bench.wait(sent)
    assert [row["file"] for row in bench.table_of(sent)] == ["a.wav", "b.flac", "c.AIFF"]
    assert bench.table_of([]).rows == ()
