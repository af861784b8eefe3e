"""A process that stands still in the middle of a transaction: what it locked is free again after a while."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

from arrivals import arrive
from coilbench_worker.jobs.claim import claim
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database

WRITER = Path(__file__).with_name("standing_writer.py")


def test_a_take_that_a_frozen_process_has_locked_is_measured_by_another(postgres_url: str, blobs: Blobs) -> None:
    """Without a limit the claim below would wait until the process goes on, or its host is heard of again."""
    database = Database(postgres_url)
    database.migrate()
    take = arrive(database, blobs)
    assert take.job_id is not None
    writer = subprocess.Popen(
        [sys.executable, WRITER, postgres_url, take.id, "1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "locked\n"
        assert claim(database, take.job_id, "other/1", lease_s=30.0, max_attempts=3) is not None
        writer.send_signal(signal.SIGCONT)
        said, wrong = writer.communicate(timeout=60)
        assert (writer.returncode, said) == (1, ""), "its transaction is over, and it is told so"
        assert "idle-in-transaction timeout" in wrong
    finally:
        writer.kill()
        writer.communicate()
        database.close()
