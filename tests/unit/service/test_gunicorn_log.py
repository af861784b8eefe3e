"""gunicorn's own lines are JSON like all others."""

from __future__ import annotations

import json
import subprocess
import sys

SAID = """
import sys
from gunicorn.config import Config
from coilbench_service.gunicorn_log import JsonLog
cfg = Config()
cfg.set("accesslog", "-")
log = JsonLog(cfg)
log.error("worker (pid:%s) was sent %s", 7, "code 134")
log.access_log.info("127.0.0.1 asked for \\x1b[31m a line\\n of its own")
log.setup(cfg)
log.warning("no %s", "psycopg://shop:hush@db/x")
"""


def test_each_line_of_gunicorn_is_one_object_with_control_characters_escaped_and_passwords_masked() -> None:
    done = subprocess.run([sys.executable, "-c", SAID], capture_output=True, text=True, check=True)
    assert done.stdout == ""
    lines = [json.loads(line) for line in done.stderr.splitlines()]
    assert [line["logger"] for line in lines] == ["gunicorn.error", "gunicorn.access", "gunicorn.error"]
    assert lines[0]["event"] == "worker (pid:7) was sent code 134"
    assert lines[1]["event"] == "127.0.0.1 asked for \x1b[31m a line\n of its own"
    assert lines[2]["event"] == "no psycopg://shop:***@db/x"
    assert "\x1b" not in done.stderr
