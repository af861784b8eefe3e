"""The real service on a port of this machine, and the command `coilbench` typed against it in this process."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from werkzeug.serving import make_server

from coilbench.command import run
from http_service import Service
from http_service import service as running_service

Said = tuple[int, str, str]
"""Exit status, standard output, standard error."""

Command = Callable[..., Said]


@contextmanager
def served_service(folder: Path, **settings: Any) -> Iterator[tuple[Service, str]]:
    """The service with its data in the folder, and its address; jobs are done when a test says so."""
    with running_service(folder, **settings) as service:
        server = make_server("127.0.0.1", 0, service.app, threaded=True)
        thread = threading.Thread(target=lambda: server.serve_forever(poll_interval=0.02), daemon=True)
        thread.start()
        try:
            yield service, f"http://127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            server.server_close()
            thread.join()


def typed_at(url: str, capsys: pytest.CaptureFixture[str]) -> Command:
    """The command at a service; what it prints is read back."""

    def typed(*arguments: object) -> Said:
        status = run(["--url", url, *map(str, arguments)])
        out, err = capsys.readouterr()
        lines = [line for line in out.splitlines(keepends=True) if "[info" not in line]  # the server logs here too
        return status, "".join(lines), err

    return typed
