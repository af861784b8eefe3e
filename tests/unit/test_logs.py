"""The log holds what went wrong, and neither samples nor passwords. Set up once a process: each test has its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

PASSWORD = "hush/hush"
URL = f"postgresql://shop:{PASSWORD}@db/x"

EXCEPTION = """
import numpy as np, structlog
from coilbench_worker import logs
logs.set_up("info")
def measure(samples):
    room = "attic".upper()
    raise RuntimeError(f"no strum in {len(samples)} samples")
try:
    measure(np.arange(10_000.0))
except RuntimeError:
    structlog.get_logger("test").exception("the program failed", take="t1")
"""

ADDRESSES = """
import logging, sys, structlog
from coilbench_worker import logs
logs.set_up("info")
url = sys.argv[1]
structlog.get_logger("test").warning("away", error=f"no answer from {url}", tried=[url], settings={"url": url})
logging.getLogger("some.library").warning("can't connect to %s", url)
"""

HOSTILE = """
import structlog
from coilbench_worker import logs
logs.set_up("info")
log = structlog.get_logger("test")
log.info("x" * 5000, path="/v1/takes/\\n{\\"event\\": \\"forged\\"}\\x1b[2J\\u2028", names={"n" * 5000: ["y" * 5000]})
try:
    raise RuntimeError("z" * 50_000 + "the end")
except RuntimeError:
    log.exception("broke")
"""

FAILING_TAKE = """
import sys
from pathlib import Path
from arrivals import arrive
from coilbench_worker import logs
from coilbench_worker.configuration import Configuration
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measuring import measure_job
from coilbench_worker.workplace import Workplace
from http_recordings import strums_wav
logs.set_up("info")
def break_off(place, _):
    raise RuntimeError(f"could not write to {place.configuration.database}: {place.configuration!r}")
place = Workplace(Configuration(data=Path(sys.argv[1]), database_url=sys.argv[2], broker_url="redis://127.0.0.1:1/0"))
place.database.migrate()
take = arrive(place.database, place.blobs, strums_wav(), settings=MeasureSettings())
print(measure_job(place, take.job_id, "test/1", break_off))
place.database.close()
"""


def ran(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run code in a Python of its own, with what the tests import."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
    environment["PYTHONPATH"] = os.pathsep.join(path for path in sys.path if path)
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done


def test_an_exception_is_logged_as_its_traceback_without_the_local_variables() -> None:
    log = ran(EXCEPTION).stderr
    line = json.loads(log)
    assert (line["event"], line["take"]) == ("the program failed", "t1")
    assert "RuntimeError: no strum in 10000 samples" in line["exception"]
    assert "in measure" in line["exception"]
    assert "ATTIC" not in log
    assert "array(" not in log


def test_passwords_are_masked_in_every_value_and_in_the_lines_of_libraries() -> None:
    log = ran(ADDRESSES, URL).stderr
    assert log.count("postgresql://shop:***@db/x") == 4
    assert PASSWORD not in log


def test_what_a_caller_sends_can_not_forge_a_line_nor_fill_the_log() -> None:
    log = ran(HOSTILE).stderr
    first, second = (json.loads(line) for line in log.splitlines())
    assert first["path"].startswith('/v1/takes/\n{"event": "forged"}')
    assert not [letter for letter in log if letter != "\n" and not " " <= letter <= "~"]
    assert first["event"].endswith("... (5000 characters)")
    assert len(json.dumps(first)) < 7000
    assert second["exception"].endswith("the end")
    assert len(second["exception"]) < 21_000


def test_a_take_that_fails_brings_no_password_of_the_database_into_the_log(tmp_path: Path, postgres_url: str) -> None:
    url = postgres_url.replace("coilbench@", f"coilbench:{PASSWORD.replace('/', '%2F')}@")
    assert "hush" in url
    done = ran(FAILING_TAKE, str(tmp_path), url)
    assert done.stdout == "failed\n"
    assert "the program failed on this recording" in done.stderr
    assert "RuntimeError: could not write to postgresql://coilbench:***@" in done.stderr
    assert "hush" not in done.stderr
    assert len(done.stderr) < 10_000
