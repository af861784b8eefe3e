"""Real servers for tests: redis-server and PostgreSQL, each a process of its own on a free loopback port.

A program that can't be found fails the test and says which Debian package has it.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import psycopg
import redis

START_WITHIN_S = 30.0
UNPRIVILEGED = ("postgres", "nobody")


class ProgramMissing(Exception):
    """A program that the tests start is not on this machine."""


def program(name: str, debian_package: str) -> str:
    """Path of a program: from PATH, or from where Debian keeps PostgreSQL's."""
    for folder in sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True):
        if (folder / name).exists():
            return str(folder / name)
    found = shutil.which(name)
    if found is None:
        raise ProgramMissing(f"{name} is not on this machine; install it with: apt-get install {debian_package}")
    return found


def free_port() -> int:
    """A port of the loopback address that nobody listens on just now."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port


def wait_until(condition: Callable[[], object], what: str, within_s: float = 60.0, every_s: float = 0.05) -> None:
    """Wait until `condition()` is true; fail, saying what was waited for, when it is not by the deadline."""
    end = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {within_s:g} s in vain: {what}")
        time.sleep(every_s)


class RedisServer:
    """A redis-server that keeps nothing on disk: killed, it starts again empty."""

    def __init__(self) -> None:
        self._program = program("redis-server", "redis-server")
        self._folder = tempfile.TemporaryDirectory(prefix="coilbench-redis-")
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()

    @property
    def url(self) -> str:
        """Address of database 0."""
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        """Start, and wait until it answers."""
        self._process = subprocess.Popen(
            [
                self._program,
                *("--port", str(self.port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no"),
                *("--maxmemory-policy", "noeviction", "--dir", self._folder.name, "--loglevel", "warning"),
            ],
            stdout=subprocess.DEVNULL,
        )
        wait_until(self.answers, "redis-server answers", START_WITHIN_S)

    def answers(self) -> bool:
        """Whether it answers a ping."""
        assert self._process is not None
        if self._process.poll() is not None:
            raise AssertionError(f"redis-server ended with code {self._process.returncode}")
        with redis.Redis(port=self.port, socket_timeout=1, socket_connect_timeout=1) as client:
            try:
                return bool(client.ping())
            except redis.exceptions.RedisError:
                return False

    def flush(self) -> None:
        """Forget everything."""
        with redis.Redis(port=self.port) as client:
            client.flushall()

    def freeze(self) -> None:
        """Let it hold its connections and answer nothing, until `thaw`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it answer again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """End it at once (SIGKILL)."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """End it and delete its folder."""
        if self._process is not None and self._process.poll() is None:
            self.kill()
        self._folder.cleanup()


class PostgresServer:
    """A PostgreSQL server in a folder of its own; as it refuses root, root lends it an unprivileged account."""

    def __init__(self) -> None:
        self._initdb = program("initdb", "postgresql")
        self._postgres = program("postgres", "postgresql")
        self._folder = Path(tempfile.mkdtemp(prefix="coilbench-postgres-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._account: dict[str, object] = {}
        self.port = free_port()
        if os.getuid() == 0:
            entry = _unprivileged()
            os.chown(self._folder, entry.pw_uid, entry.pw_gid)
            self._account = {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}

    def url(self, name: str) -> str:
        """Address of one database."""
        return f"postgresql://coilbench@127.0.0.1:{self.port}/{name}"

    def start(self) -> None:
        """Make the data folder, start, and wait until it answers."""
        data = self._folder / "data"
        log = self._folder / "log"
        subprocess.run(
            [self._initdb, "-D", str(data), "-U", "coilbench", "-A", "trust", "-E", "UTF8", "--no-locale", "-N"],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd=self._folder,
            **self._account,  # type: ignore[call-overload]
        )
        options = {
            "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "",
            "fsync": "off",
            "max_connections": "200",
        }
        with log.open("wb") as output:
            self._process = subprocess.Popen(
                [self._postgres, "-D", str(data), "-p", str(self.port)]
                + [part for name, value in options.items() for part in ("-c", f"{name}={value}")],
                stdout=output,
                stderr=output,
                cwd=self._folder,
                **self._account,  # type: ignore[call-overload]
            )

        def answers() -> bool:
            assert self._process is not None
            if self._process.poll() is not None:
                raise AssertionError(f"postgres ended with code {self._process.returncode}: {log.read_text()}")
            try:
                psycopg.connect(self.url("postgres"), connect_timeout=2).close()
            except psycopg.OperationalError:
                return False
            return True

        wait_until(answers, "PostgreSQL answers", START_WITHIN_S)

    def execute(self, statement: str) -> None:
        """Run one statement outside any transaction."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(statement.encode())

    def close(self) -> None:
        """End it (immediate shutdown) and delete its folder."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait()
        shutil.rmtree(self._folder)


def _unprivileged() -> pwd.struct_passwd:
    for name in UNPRIVILEGED:
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise ProgramMissing(
        f"no account of {UNPRIVILEGED} to run postgres under; install one with: apt-get install postgresql"
    )
