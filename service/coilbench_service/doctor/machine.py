"""This machine: room on its disks, files it may open."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from coilbench_service.connections import most_connections
from coilbench_service.doctor.finding import Finding, ok
from coilbench_worker.configuration import Configuration

FEW_CONNECTIONS = 200
"""Fewer are soon used up by browsers and long waits; common practice, no source."""
AMPLE = 5
"""Greatest recordings that should find room; common practice, no source."""
MIB = 1024**2


def findings(configuration: Configuration) -> Iterator[Finding]:
    """Looks at what is there; makes nothing."""
    places = {"disk of the data": configuration.data, "disk of temporary files": Path(tempfile.gettempdir())}
    for name, folder in places.items():
        yield _room(name, folder, configuration.max_upload_bytes)
    yield _files()


def _room(name: str, folder: Path, largest: int) -> Finding:
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    free = shutil.disk_usage(there).free
    what = f"{free // MIB} MiB free at {there}"
    why = f"one recording may have {largest // MIB} MiB (COILBENCH_MAX_UPLOAD_BYTES); without room it is refused"
    do = "make room, move the folder to a larger disk, or lower COILBENCH_MAX_UPLOAD_BYTES"
    if free < largest:
        return Finding("BROKEN", name, what, why, do)
    return Finding("caution", name, what, why, do) if free < AMPLE * largest else ok(name, what)


def _files() -> Finding:
    connections = most_connections()
    what = f"enough for {connections} connections at a time"
    if connections >= FEW_CONNECTIONS:
        return ok("open files", what)
    return Finding(
        "caution",
        "open files",
        what,
        "each connection needs two files; who comes beyond that number waits until others leave",
        "raise the limit of open files of the service: ulimit -n 4096, LimitNOFILE= of its unit, or ulimits of its "
        "container",
    )
