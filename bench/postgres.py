"""A PostgreSQL server of the bench's own: with its defaults, so that every commit reaches the disk."""

import os
import pwd
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg

from bench.processes import BenchError, free_port, wait_until

END_WITHIN_S = 30.0


class Postgres:
    """A running server."""

    def __init__(self, port: int, pid: int) -> None:
        self.port = port
        self.pid = pid

    def url(self, name: str) -> str:
        """Address of a database."""
        return f"postgresql://coilbench@127.0.0.1:{self.port}/{name}"

    def database(self, name: str) -> str:
        """Make a database; its address."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.url(name)

    def answers(self) -> bool:
        """Whether it does."""
        try:
            psycopg.connect(self.url("postgres"), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True


@contextmanager
def postgres(folder: Path) -> Iterator[Postgres]:
    """A server with its data in `folder`, ended and deleted afterwards.

    Raises
    ------
    BenchError : PostgreSQL is not on this machine, or does not start
    """
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = shutil.which("initdb", path=os.pathsep.join([*map(str, programs), os.environ.get("PATH", "")]))
    if found is None:
        raise BenchError("initdb is not on this machine; install it with: apt-get install postgresql")
    folder.mkdir()
    account: dict[str, Any] = {}
    if os.getuid() == 0:  # postgres refuses to run as root
        entry = pwd.getpwnam("postgres")
        account = {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}
        os.chown(folder, entry.pw_uid, entry.pw_gid)
        for parent in folder.parents:
            if parent.stat().st_uid == 0 and not parent.stat().st_mode & 0o001 and parent != Path("/"):
                parent.chmod(parent.stat().st_mode | 0o011)
    data, log, port = folder / "data", folder / "log", free_port()
    make = [found, "-D", str(data), "-U", "coilbench", "-A", "trust", "-E", "UTF8", "--no-locale"]
    subprocess.run(make, check=True, stdout=subprocess.DEVNULL, cwd=folder, **account)
    command = [str(Path(found).with_name("postgres")), "-D", str(data), "-p", str(port)]
    command += ["-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories="]
    with log.open("wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=output, cwd=folder, **account)
    server = Postgres(port, process.pid)
    try:
        wait_until(server.answers, "an answer of PostgreSQL", log)
        yield server
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(END_WITHIN_S)
