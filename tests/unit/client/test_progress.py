"""Progress: on standard error, and only where that is a terminal."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

from unit.client.contract_service import ContractService


def read_all(terminal: int) -> str:
    said = b""
    while True:
        try:
            piece = os.read(terminal, 65536)
        except OSError:  # Linux ends a terminal that nobody writes to any more with EIO
            break
        if not piece:
            break
        said += piece
    return said.decode()


def test_a_terminal_shows_what_is_sent_and_measured_and_standard_output_stays_clean(
    service: ContractService, recordings: Path
) -> None:
    ours, theirs = pty.openpty()
    command = [
        str(Path(sys.executable).with_name("coilbench")),
        "--url",
        service.url,
        "send",
        str(recordings),
        "--wait",
    ]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=theirs, text=True, env={**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    ) as client:
        os.close(theirs)
        said = read_all(ours)
        assert client.stdout is not None
        table = client.stdout.read()
    os.close(ours)
    assert client.returncode == 0
    assert "sending 3 of 3: c.AIFF" in said
    assert "measuring" in said
    assert "3/3" in said
    assert "measuring" not in table
    assert "\x1b" not in table
