"""What the journeys share: a real service on a free port, recordings of known truth, the command as a user runs it."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

RATE_HZ = 48_000
ONSETS_S = (1.0, 3.5, 6.0, 8.5)
READY_S = 90.0
COMMAND_S = 120.0
LEVEL_WINDOW_S = 0.5

Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]


@dataclass(frozen=True)
class Recording:
    """Four strums: the samples, and the level of each over its first half second, dBFS."""

    samples: NDArray[np.float64]
    levels_dbfs: tuple[float, ...]


def strummed(*, peak: float, brightness: float, seed: int) -> Recording:
    """Four strums of six ringing strings, each with ten partials, over quiet hiss.

    Parameters
    ----------
    peak : of the strums, about, full scale = 1.0
    brightness : level of a partial re the one below, 0 to 1
    seed : of the player's hand
    """
    random = np.random.default_rng(seed)
    samples = np.zeros(int(RATE_HZ * (ONSETS_S[-1] + 2.5)))
    strings_hz = (82.4, 123.5, 164.8, 207.7, 246.9, 329.6)
    for onset_s in ONSETS_S:
        start = round(onset_s * RATE_HZ)
        times_s = np.arange(min(len(samples) - start, round(2.4 * RATE_HZ))) / RATE_HZ
        sound = np.zeros(len(times_s))
        for hz in strings_hz:
            for partial in range(1, 11):
                phase = random.uniform(0, 2 * np.pi)
                fall = np.exp(-times_s * (2.5 + 0.35 * partial))
                sound += brightness ** (partial - 1) * np.sin(2 * np.pi * hz * partial * times_s + phase) * fall
        sound *= np.minimum(1.0, times_s / 0.003)
        strength = 10 ** (random.normal(0, 0.4) / 20)
        samples[start : start + len(sound)] += sound / np.max(np.abs(sound)) * peak * strength
    samples += 10 ** (-85 / 20) * random.standard_normal(len(samples))
    return Recording(samples, tuple(level_dbfs(samples, onset_s) for onset_s in ONSETS_S))


def level_dbfs(samples: NDArray[np.float64], onset_s: float) -> float:
    """RMS over the half second from an onset, dB re full scale."""
    start = round(onset_s * RATE_HZ)
    window = samples[start : start + round(LEVEL_WINDOW_S * RATE_HZ)]
    return float(10 * np.log10(np.mean(window**2)))


SOFT = strummed(peak=0.25, brightness=0.5, seed=1)
HOT = strummed(peak=0.6, brightness=0.75, seed=2)


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    """A folder as a tester has it: two takes, the table that describes them, a note."""
    folder = tmp_path / "Tuesday"
    folder.mkdir()
    soundfile.write(folder / "Häfen neck.wav", SOFT.samples, RATE_HZ, subtype="PCM_24")
    soundfile.write(folder / "mill.flac", HOT.samples, RATE_HZ, subtype="PCM_24")
    (folder / "takes.csv").write_text(
        "file;label;pickup;session;input_gain_db;expected_strums;tags;weather\n"
        "Häfen neck.wav;=soft;harbour-neck;Tuesday;0,5;4;dry;warm\n"
        "mill.flac;hot;mill-bridge;Tuesday;0,5;4;dry;\n",
        encoding="utf-8-sig",
    )
    (folder / "notes.txt").write_text("new strings")
    return folder


def program(name: str) -> str:
    """A command of this installation."""
    return str(Path(sys.executable).with_name(name))


@pytest.fixture(scope="session")
def service_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """`coilbench-server up`, as anyone starts it, with data of its own."""
    folder = tmp_path_factory.mktemp("service")
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
    environment |= {"COILBENCH_DATA": str(folder / "data"), "COILBENCH_LISTEN": "127.0.0.1:0"}
    with (folder / "log").open("w") as log:
        server = subprocess.Popen(
            [program("coilbench-server"), "up"], stdout=subprocess.PIPE, stderr=log, text=True, env=environment
        )
        try:
            yield ready_address(server, folder / "log")
        finally:
            server.send_signal(signal.SIGTERM)
            try:
                status = server.wait(timeout=30)
            finally:
                server.kill()
                server.wait()
                if server.stdout:
                    server.stdout.close()
    assert status == 0, (folder / "log").read_text()[-2000:]


def ready_address(server: subprocess.Popen[str], log: Path) -> str:
    """The address in the line that says the service is ready.

    Raises
    ------
    AssertionError : it ended or was silent until the deadline; with the end of its log
    """
    until = time.monotonic() + READY_S
    assert server.stdout is not None
    while time.monotonic() < until and server.poll() is None:
        readable, _, _ = select.select([server.stdout], [], [], 0.2)
        line = server.stdout.readline() if readable else ""
        if line.startswith("coilbench is ready at "):
            return line.rsplit(" ", 1)[1].strip()
    raise AssertionError(f"the service was not ready; its log ends with\n{log.read_text()[-3000:]}")


@pytest.fixture
def run(service_url: str, tmp_path: Path) -> Run:
    """`coilbench ...` in a shell of its own, in an empty folder."""
    folder = tmp_path / "here"
    folder.mkdir()

    def command(*arguments: object, url: str = service_url) -> Finished:
        environment = {name: value for name, value in os.environ.items() if name not in ("COILBENCH_KEY", "COLUMNS")}
        environment["COILBENCH_URL"] = url
        return subprocess.run(
            [program("coilbench"), *map(str, arguments)],
            cwd=folder,
            env=environment,
            capture_output=True,
            encoding="utf-8",
            timeout=COMMAND_S,
            check=False,
        )

    return command
