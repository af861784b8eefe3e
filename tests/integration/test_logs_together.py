"""One take over an API process and a worker process: both logs tell its story under the request that sent it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import psutil
import pytest
import requests
from prometheus_client.parser import text_string_to_metric_families

from http_recordings import strums_wav
from running_program import program
from services import free_port
from working import Shop, WorkerProcess

PAGE = (Path(__file__).parents[2] / "docs" / "watching.md").read_text("utf-8")
pytestmark = pytest.mark.xdist_group("redis")


def lines(log: Path) -> list[dict[str, Any]]:
    """Every line of a log, each of them JSON."""
    return [json.loads(line) for line in log.read_text().splitlines()]


def test_one_request_id_leads_from_the_request_to_the_lines_of_the_worker_and_its_numbers_are_told(
    tmp_path: Path, redis_url: str
) -> None:
    numbers = f"127.0.0.1:{free_port()}"
    shop = Shop(tmp_path / "data", broker_url=redis_url, workers=1, metrics_listen=numbers)
    worker = WorkerProcess(shop)
    try:
        worker.wait_until_ready()
        with program("api", tmp_path, COILBENCH_BROKER_URL=redis_url) as api:
            name = 'left "hand"\n\x1b[2J.wav'
            answer = api.ask(
                "POST",
                "/v1/takes",
                files={"file": (name, strums_wav(), "audio/wav")},
                headers={"Prefer": "wait=50", "X-Request-Id": "from-the-desk-1"},
            )
            assert (answer.status_code, answer.json()["state"]) == (201, "measured"), answer.text
        take = answer.json()["id"]
        told = requests.get(f"http://{numbers}/metrics", timeout=10).text
        folders = [file.path for file in _files_of(worker) if "coilbench-numbers-" in file.path]
    finally:
        assert worker.stop() == 0
        shop.close()
    (asked,) = (line for line in lines(api.log) if line.get("request_id") == "from-the-desk-1")
    assert (asked["event"], asked["take"], asked["status"], asked["client"]) == ("request", take, 201, "127.0.0.1")
    assert asked["received_bytes"] > len(strums_wav())
    measured = [line for line in lines(worker.log) if line.get("request_id") == "from-the-desk-1"]
    assert [line["event"] for line in measured] == ["measuring", "done"]
    for line in measured:
        assert (line["take"], line["job"], line["attempt"]) == (take, asked["job"], 1)
        assert line["worker"].startswith("coilbench-")
    (ended,) = (
        sample.value
        for family in text_string_to_metric_families(told)
        for sample in family.samples
        if sample.name == "coilbench_takes_ended_total" and sample.labels == {"state": "measured"}
    )
    assert ended == 1
    assert folders, "the measuring process counts into files"
    assert not [path for path in folders if Path(path).exists()], "they go with the worker"
    named = set(re.findall(r"`(\w+)`", PAGE.partition("## The log")[2]))
    assert set(asked) | {field for line in measured for field in line} <= named
    for log in (api.log, worker.log):
        assert "\x1b" not in log.read_text()


def _files_of(worker: WorkerProcess) -> list[Any]:
    """What the measuring processes have open or mapped."""
    found: list[Any] = []
    for pid in worker.children():
        found += psutil.Process(pid).memory_maps()
    return found
