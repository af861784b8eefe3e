"""Numbers of several processes come together; what measuring processes count is bounded, and cleared away."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from prometheus_client import CollectorRegistry, Counter, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from coilbench_worker import slots
from coilbench_worker.metrics import Everything, instruments, served, together
from coilbench_worker.slots import Slots, clear_away
from coilbench_worker.store.database import Database
from services import free_port

COUNTS = """
import sys
from coilbench_worker import metrics
metrics.count_in_slot(sys.argv[1], int(sys.argv[2]))
counted = metrics.instruments()
counted.stage.labels("measure").observe(0.2)
counted.ended_as("rejected", {"type": "/problems/no-strums"})
"""
HOLDS = """
import os, sys, tempfile, signal
from coilbench_worker.slots import Slots
tempfile.tempdir = sys.argv[1]
print(Slots(1).folder, flush=True)
if sys.argv[2] == "die":
    os.kill(os.getpid(), signal.SIGKILL)
sys.stdin.read()
"""


@pytest.fixture
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Temporary files go here."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


@pytest.fixture
def two(own_folder: Path) -> Iterator[Slots]:
    """The files of two measuring processes."""
    made = Slots(2)
    yield made
    made.close()


def seen() -> dict[tuple[str, str], float]:
    """Every sample that has at most one label, by its name and the label's value."""
    text = generate_latest(Everything()).decode()
    samples = [sample for family in text_string_to_metric_families(text) for sample in family.samples]
    return {(s.name, "".join(s.labels.values())): s.value for s in samples if "le" not in s.labels}


def test_the_processes_that_follow_each_other_in_a_slot_count_on_in_the_same_two_files(two: Slots) -> None:
    before = seen()
    files = sorted(two.folder.iterdir())
    sizes = [file.stat().st_size for file in files]
    for slot in ("0", "1", "1"):
        subprocess.run([sys.executable, "-c", COUNTS, str(two.folder), slot], check=True)
    now = seen()
    measured = ("coilbench_stage_seconds_count", "measure")
    assert now[measured] - before[measured] == 3
    rejected = ("coilbench_takes_ended_total", "rejected")
    assert now[rejected] - before[rejected] == 3
    assert now[("coilbench_takes_unmeasured_total", "no-strums")] >= 3
    assert sorted(two.folder.iterdir()) == files
    assert [file.stat().st_size for file in files] == sizes


def test_the_files_go_with_their_worker_and_so_do_their_numbers(own_folder: Path) -> None:
    made = Slots(1)
    assert slots.collectors()
    made.close()
    assert list(own_folder.iterdir()) == []
    made.close()


def test_what_a_killed_worker_left_is_cleared_away_and_what_a_living_one_uses_is_not(own_folder: Path) -> None:
    living = subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(own_folder), "live"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert living.stdin is not None
    assert living.stdout is not None
    kept = Path(living.stdout.readline().strip())
    dead = subprocess.run(
        [sys.executable, "-c", HOLDS, str(own_folder), "die"], capture_output=True, text=True, check=False
    )
    left = Path(dead.stdout.strip())
    assert left.is_dir()
    clear_away()
    assert (left.exists(), kept.exists()) == (False, True)
    living.stdin.close()
    living.stdout.close()
    assert living.wait() == 0


def test_families_of_the_same_name_become_one_and_their_samples_add_up() -> None:
    registries = [CollectorRegistry(), CollectorRegistry()]
    for number, registry in enumerate(registries, 1):
        counter = Counter("strums", "Strums", ["pick", "hand"], registry=registry)
        counter.labels("thin", "left").inc(number)
        counter.labels("heavy" if number == 1 else "light", "left").inc()
    (family,) = together(family for registry in registries for family in registry.collect())
    totals = {sample.labels["pick"]: sample.value for sample in family.samples}
    assert totals == {"thin": 3, "heavy": 1, "light": 1}


def test_a_worker_of_its_own_tells_its_numbers_at_the_address_it_is_given() -> None:
    address = f"127.0.0.1:{free_port()}"
    with served(address):
        text = requests.get(f"http://{address}/metrics", timeout=10).text
        some = requests.get(f"http://{address}/metrics?name[]=coilbench_broker_errors_total", timeout=10).text
    names = {family.name for family in text_string_to_metric_families(text)}
    assert "coilbench_takes_ended" in names
    assert {family.name for family in text_string_to_metric_families(some)} == {"coilbench_broker_errors"}
    with pytest.raises(requests.ConnectionError):
        requests.get(f"http://{address}/metrics", timeout=10)


def test_a_database_that_can_not_be_reached_is_counted() -> None:
    counted = instruments().store_errors.labels("database")
    before = counted._value.get()
    database = Database(f"postgresql://bench@127.0.0.1:{free_port()}/bench")
    with pytest.raises(Exception, match="does not answer"):
        database.ping()
    database.close()
    assert counted._value.get() == before + 1
