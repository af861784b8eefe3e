"""Every way a job can end. The real path where a recording leads there; a substitute for faults that none can make."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from billiard.exceptions import SoftTimeLimitExceeded
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.audio.refusal import UnreadableRecording
from coilbench_worker.configuration import Configuration
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measuring import measure_job
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.takes import TakeRecord
from coilbench_worker.workplace import Workplace
from http_recordings import pcm16, strums, strums_wav
from services import wait_until


@pytest.fixture
def place(tmp_path: Path, database_url: str) -> Iterator[Workplace]:
    place = Workplace(Configuration(data=tmp_path, database_url=database_url, max_attempts=2))
    place.database.migrate()
    yield place
    place.database.close()


def received(place: Workplace, content: bytes, settings: MeasureSettings | None = None) -> TakeRecord:
    return arrive(place.database, place.blobs, content, settings=settings or MeasureSettings())


def worked(place: Workplace, take: TakeRecord, measuring: Any = None) -> tuple[str, TakeRecord]:
    assert take.job_id is not None
    word = measure_job(place, take.job_id, "node/1", measuring)
    with place.database.read() as connection:
        found = takes.get(connection, take.id)
    assert found is not None
    return word, found


def raising(error: BaseException) -> Callable[[Workplace, jobs.Claim], dict[str, Any]]:
    def measuring(place: Workplace, held: jobs.Claim) -> dict[str, Any]:
        raise error

    return measuring


def test_a_good_recording_is_measured_with_the_settings_of_its_job(place: Workplace) -> None:
    take = received(place, strums_wav(), MeasureSettings(expected_strums=3))
    word, found = worked(place, take)
    assert (word, found.state, found.problem) == ("measured", "measured", None)
    with place.database.read() as connection:
        record = measurements.current(connection, take.id)
    assert record is not None
    assert record.document["settings"]["expected_strums"] == 3
    assert len(record.document["strums"]) == 3


def test_silence_is_rejected_with_what_to_do(place: Workplace) -> None:
    word, found = worked(place, received(place, pcm16(0 * strums())))
    assert (word, found.state) == ("rejected", "rejected")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/no-strums"
    assert found.problem["status"] == 422
    assert found.problem["checks"][-1]["code"] == "no-strums"
    assert found.problem["advice"]


def test_what_is_no_recording_is_rejected(place: Workplace) -> None:
    word, found = worked(place, received(place, b"%PDF-1.7 and so on" * 50))
    assert (word, found.state) == ("rejected", "rejected")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/not-a-recording"


@pytest.mark.parametrize("left", [None, 1000])
def test_a_recording_that_is_lost_or_cut_is_tried_again_then_failed(place: Workplace, left: int | None) -> None:
    take = received(place, strums_wav())
    with place.blobs.local_path(take.blob) as path:
        path.unlink() if left is None else os.truncate(path, left)
    word, found = worked(place, take)
    assert (word, found.state, found.problem) == ("handed-back", "waiting", None)
    word, found = worked(place, take)
    assert (word, found.state) == ("failed", "failed")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/recording-lost"
    assert worked(place, take)[0] == "not-claimed"


@pytest.mark.parametrize(
    "error", [OSError("network"), MemoryError(), OperationalError("SELECT", {}, Exception("the server closed"))]
)
def test_a_fault_that_may_pass_is_tried_again_and_then_the_take_is_measured(
    place: Workplace, error: BaseException
) -> None:
    take = received(place, strums_wav())
    assert worked(place, take, raising(error))[0] == "handed-back"
    word, found = worked(place, take)
    assert (word, found.state) == ("measured", "measured")


def test_a_recording_that_never_finds_the_memory_fails_and_names_the_setting(place: Workplace) -> None:
    take = received(place, strums_wav())
    assert worked(place, take, raising(MemoryError()))[0] == "handed-back"
    word, found = worked(place, take, raising(MemoryError()))
    assert (word, found.state) == ("failed", "failed")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/memory-used-up"
    assert "2 attempts" in found.problem["detail"]
    assert "2048 MiB" in found.problem["detail"]
    assert "COILBENCH_MEASURE_MEMORY_MIB" in found.problem["advice"]


def test_a_fault_of_the_program_fails_the_take_with_a_reference_to_the_log(
    place: Workplace, capsys: pytest.CaptureFixture[str]
) -> None:
    take = received(place, strums_wav())
    word, found = worked(place, take, raising(ZeroDivisionError("a bug")))
    assert (word, found.state) == ("failed", "failed")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/measuring-failed"
    assert found.problem["status"] == 500
    assert found.problem["log_reference"] == take.job_id
    logged = capsys.readouterr()
    assert "ZeroDivisionError: a bug" in logged.out + logged.err
    assert str(take.job_id) in logged.out + logged.err


def test_the_time_limit_fails_the_take_and_names_the_setting(place: Workplace) -> None:
    _, found = worked(place, received(place, strums_wav()), raising(SoftTimeLimitExceeded()))
    assert found.state == "failed"
    assert found.problem is not None
    assert found.problem["type"] == "/problems/took-too-long"
    assert "840 s" in found.problem["detail"]
    assert "COILBENCH_SOFT_LIMIT_S" in found.problem["advice"]


@pytest.fixture
def limit_signal() -> Iterator[int]:
    """The signal of the limit, handled as in a measuring process."""

    def handler(number: int, frame: Any) -> None:
        raise SoftTimeLimitExceeded

    before = signal.signal(signal.SIGUSR1, handler)
    yield signal.SIGUSR1
    assert signal.getsignal(signal.SIGUSR1) is handler, "the handler is left as it was"
    signal.signal(signal.SIGUSR1, before)


@pytest.mark.parametrize("then", [None, UnreadableRecording("the file ends early"), OSError("broken off")])
def test_what_comes_of_a_recording_after_its_limit_does_not_count(
    place: Workplace, limit_signal: int, then: BaseException | None
) -> None:
    """Inside a call-back from C the exception is lost, and the caller sees a file that ends early."""

    def swallowed(_: Workplace, held: jobs.Claim) -> dict[str, Any]:
        with contextlib.suppress(SoftTimeLimitExceeded):
            signal.raise_signal(limit_signal)
        if then is not None:
            raise then
        return {"version": "1"}

    word, found = worked(place, received(place, strums_wav()), swallowed)
    assert (word, found.state) == ("failed", "failed")
    assert found.problem is not None
    assert found.problem["type"] == "/problems/took-too-long"


def test_a_take_deleted_while_it_is_measured_is_no_fault(place: Workplace) -> None:
    take = received(place, strums_wav())

    def deleted_meanwhile(_: Workplace, held: jobs.Claim) -> dict[str, Any]:
        assert jobs.remove(place.database, place.blobs, held.take_id)
        return {"version": "1"}

    assert take.job_id is not None
    measure_job(place, take.job_id, "node/1", deleted_meanwhile)
    with place.database.read() as connection:
        assert takes.get(connection, take.id) is None
        assert measurements.current(connection, take.id) is None


def test_a_lease_is_extended_while_measuring_takes_its_time(place: Workplace) -> None:
    """Measuring lasts until long after the first lease has run out; the job is still held then."""
    quick = Workplace(place.configuration.model_copy(update={"lease_s": 1.0}))
    take = received(place, strums_wav())
    began = now()

    def slow(_: Workplace, held: jobs.Claim) -> dict[str, Any]:
        def extended() -> bool:
            with quick.database.read() as connection:
                until = connection.execute(select(job_table.c.lease_until)).scalar_one()
            return until > began + timedelta(seconds=2)

        wait_until(extended, "the lease is extended")
        assert jobs.due(quick.database, max_attempts=2, lease_s=30, republish_after_s=0) == []
        return {"version": "1"}

    assert worked(quick, take, slow)[0] == "measured"
    quick.database.close()
