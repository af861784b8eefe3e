"""docker-compose.yml without a container engine: its very commands, environments and health checks, on this machine.

What an engine would give is put in by hand, and nothing else: names of hosts become loopback addresses, ports free
ones, mounted folders and secrets temporary folders. Users, limits and read-only roots are not imitated.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import psutil

import compose_file
from name_server import NameServer
from services import ProgramMissing, _unprivileged, free_ports, program, wait_until

DEBIAN = {
    "nginx": "nginx",
    "redis-server": "redis-server",
    "redis-cli": "redis-tools",
    "pg_isready": "postgresql-client",
    "initdb": "postgresql",
    "postgres": "postgresql",
    "wget": "wget",
}
END_WITHIN_S = 40.0
API_ADDRESSES = {"api-1": "127.0.0.2", "api-2": "127.0.0.3"}


class Composed:
    """The services of the file as processes; `close` ends what still runs and deletes everything."""

    def __init__(self, *, workers: int) -> None:
        self.services = compose_file.services({})
        # Not the folder of the test: postgres runs under an account of its own and has to get in.
        self.folder = Path(tempfile.mkdtemp(prefix="coilbench-composed-"))
        self.folder.chmod(0o711)
        self.secrets = self.folder / "secrets"
        self.workers = [f"worker-{number}" for number in range(1, workers + 1)]
        names = ("api", "proxy", "redis", "postgres", "store", "master", "filer", "volume")
        grpc = ("store.grpc", "master.grpc", "filer.grpc", "volume.grpc")
        self.ports = dict(
            zip((*names, *grpc, *self.workers), free_ports(len(names) + len(grpc) + workers), strict=True)
        )
        self.names = NameServer({"api": list(API_ADDRESSES.values())})
        self._programs = _programs(self.folder / "programs")
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self.run(["sh", str(compose_file.ROOT / "deploy/make-secrets"), str(self.secrets)], {}, "make-secrets")
        self.secrets.chmod(0o755)  # an engine mounts the files one by one

    @property
    def url(self) -> str:
        """Where the proxy answers."""
        return f"http://127.0.0.1:{self.ports['proxy']}"

    def api_url(self, name: str) -> str:
        """Where one API process answers, past the proxy."""
        return f"http://{API_ADDRESSES[name]}:{self.ports['api']}"

    def start(self, name: str) -> None:
        """Start a service that runs on; a worker's name has its number."""
        self._prepare(name)
        words = [self._native(word, name) for word in compose_file.command(self._service(name))]
        with self.log(name).open("ab") as log:
            self._running[name] = subprocess.Popen(
                [self._program(words[0]), *words[1:], *self._more(name)],
                env=self.environment(name),
                stdout=log,
                stderr=log,
                cwd=self.folder,
                start_new_session=True,
                **self._account(name),
            )

    def once(self, name: str) -> str:
        """Run a service that ends, to its end; what it said."""
        words = [self._native(word, name) for word in compose_file.command(self._service(name))]
        return self.run(words, self.environment(name), name)

    def in_place_of(self, name: str, *words: str) -> str:
        """As `docker compose run NAME WORDS`: another command in the surroundings of a service; what it said."""
        return self.run(list(words), self.environment(name), f"{name}: {words}")

    def run(self, words: list[str], environment: dict[str, str], what: str) -> str:
        """Run a command to its end; what it said on standard output."""
        ended = subprocess.run(
            [self._program(words[0]), *words[1:]],
            env=environment or self._surroundings(),
            capture_output=True,
            text=True,
            cwd=self.folder,
            check=False,
        )
        assert ended.returncode == 0, f"{what} ended with {ended.returncode}: {ended.stdout}{ended.stderr}"
        return ended.stdout

    def wait_until_well(self, name: str) -> None:
        """Wait until the service's own health check says so."""
        words = [self._native(word, name) for word in compose_file.probe(self._service(name))]
        assert words, f"{name} has no health check"

        def well() -> bool:
            code = self._running[name].poll()
            assert code is None, f"{name} ended with {code}: {self.log(name).read_text()[-3000:]}"
            ended = subprocess.run(
                [self._program(words[0]), *words[1:]], env=self.environment(name), capture_output=True, check=False
            )
            return ended.returncode == 0

        try:
            wait_until(well, f"{name} is well", within_s=90, every_s=0.5)
        except AssertionError as error:
            raise AssertionError(f"{error}; it said: {self.log(name).read_text()[-3000:]}") from error

    def connections(self, name: str) -> int:
        """How many connections a service has from clients just now."""
        process = psutil.Process(self._running[name].pid)
        found = [one for each in (process, *process.children()) for one in each.net_connections("tcp4")]
        port = self.ports["api" if name in API_ADDRESSES else name]
        return sum(one.status == psutil.CONN_ESTABLISHED and one.laddr.port == port for one in found)

    def stop(self, name: str) -> int:
        """Tell a service to end, as an engine does, and wait; its exit code."""
        process = self._running.pop(name)
        process.terminate()
        return process.wait(END_WITHIN_S)

    def log(self, name: str) -> Path:
        """What a service printed."""
        return self.folder / f"{name}.log"

    def environment(self, name: str) -> dict[str, str]:
        """Environment of a service: what the file says, and what any process needs."""
        said = {
            key: self._native(str(value), name) for key, value in self._service(name).get("environment", {}).items()
        }
        return self._surroundings() | said

    def close(self) -> None:
        """End what still runs, last first, and delete the folder."""
        for process in reversed(self._running.values()):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
        self.names.close()
        shutil.rmtree(self.folder)

    def _service(self, name: str) -> dict[str, Any]:
        return self.services["worker" if name in self.workers else name]

    def _surroundings(self) -> dict[str, str]:
        return {
            "PATH": self._programs,
            "PYTHONPATH": os.pathsep.join(str(compose_file.ROOT / part) for part in ("client", "service", "worker")),
            "HOME": str(self.folder),
            "LANG": "C.UTF-8",
            "OPENBLAS_NUM_THREADS": "1",
        }

    def _program(self, name: str) -> str:
        found = shutil.which(name, path=self._programs)
        if found is None:
            raise ProgramMissing(f"{name} is not on this machine; install it with: apt-get install {DEBIAN[name]}")
        return found

    def _native(self, text: str, name: str) -> str:
        """What an engine would make true of a text of the service, made true here."""
        ports = self.ports
        pairs = {
            "/run/secrets": str(self.secrets),
            "redis://redis:6379": f"redis://127.0.0.1:{ports['redis']}",
            "@postgres/": f"@127.0.0.1:{ports['postgres']}/",
            "http://store:8333": f"http://127.0.0.1:{ports['store']}",
        }
        if name in API_ADDRESSES:
            here = f"{API_ADDRESSES[name]}:{ports['api']}"
            pairs |= {"0.0.0.0:8080": here, "127.0.0.1:8080": here}
        elif name in self.workers:
            here = f"127.0.0.1:{ports[name]}"
            pairs |= {"0.0.0.0:9100": here, "127.0.0.1:9100": here}
        elif name == "proxy":
            pairs |= {"127.0.0.1:8080": f"127.0.0.1:{ports['proxy']}"}
            pairs |= {"/etc/coilbench/proxy.conf": str(self.folder / "proxy.conf")}
        elif name == "redis":
            pairs |= {"6379": str(ports["redis"])}
        elif name == "postgres":
            pairs |= {"5432": str(ports["postgres"]), "/var/lib/postgresql": str(self.folder / "postgres")}
        elif name in ("store", "bucket"):
            pairs |= {
                "master=127.0.0.1:9333": f"master=127.0.0.1:{ports['master']}.{ports['master.grpc']}",
                "filer=127.0.0.1:8888": f"filer=127.0.0.1:{ports['filer']}.{ports['filer.grpc']}",
                "port=9333": f"port={ports['master']}",
                "port=8888": f"port={ports['filer']}",
                "port=8333": f"port={ports['store']}",
                "127.0.0.1:8333": f"127.0.0.1:{ports['store']}",
                "0.0.0.0": "127.0.0.1",
            }
        if text == "/data" or text.endswith("=/data"):
            pairs |= {"/data": str(self.folder / ("passing" if "coilbench" in self._service(name)["image"] else name))}
        for pattern, here in pairs.items():
            text = text.replace(pattern, here)
        return text

    def _more(self, name: str) -> list[str]:
        """Options that keep a program to itself where it has no container of its own."""
        ports = self.ports
        if name == "redis":
            return ["--bind", "127.0.0.1"]
        if name == "postgres":
            options = {"listen_addresses": "127.0.0.1", "unix_socket_directories": str(self.folder / "postgres")}
            return ["-p", str(ports["postgres"])] + [
                part for key, value in options.items() for part in ("-c", f"{key}={value}")
            ]
        if name == "store":
            numbers = {
                "master.port.grpc": "master.grpc",
                "filer.port.grpc": "filer.grpc",
                "volume.port": "volume",
                "volume.port.grpc": "volume.grpc",
                "s3.port.grpc": "store.grpc",
            }
            sockets = [f"-{of}.localSocket={self.folder / of}.sock" for of in ("filer", "s3")]
            return [*sockets, *(f"-{option}={ports[port]}" for option, port in numbers.items())]
        return []

    def _prepare(self, name: str) -> None:
        """What an image or an engine has done before the command runs."""
        (self.folder / "passing").mkdir(exist_ok=True)
        if name in ("redis", "store"):
            (self.folder / name).mkdir()
        elif name == "proxy":
            self._write_proxy_file()
        elif name == "postgres":
            self._make_cluster()

    def _write_proxy_file(self) -> None:
        text = (compose_file.ROOT / "deploy/proxy.conf").read_text("utf-8")
        for pattern, here in {
            "resolver 127.0.0.11 ": f"resolver 127.0.0.1:{self.names.port} ",
            "listen 8080;": f"listen 127.0.0.1:{self.ports['proxy']};",
            "set $api api:8080;": f"set $api api:{self.ports['api']};",
            " /tmp": f" {self.folder}/passing",
            " /var/cache/nginx/": f" {self.folder}/proxy-",
            "worker_processes auto;": "worker_processes 1;",
        }.items():
            assert pattern in text
            text = text.replace(pattern, here)
        (self.folder / "proxy.conf").write_text(text, "utf-8")

    def _make_cluster(self) -> None:
        """As the image's entrypoint does at the first start: the folder, the user with its password, the database."""
        home = self.folder / "postgres"
        home.mkdir()
        if os.getuid() == 0:
            entry = _unprivileged()
            os.chown(home, entry.pw_uid, entry.pw_gid)
        said = self.environment("postgres")
        account = self._account("postgres")
        login = [f"--username={said['POSTGRES_USER']}", f"--pwfile={said['POSTGRES_PASSWORD_FILE']}"]
        subprocess.run(
            [self._program("initdb"), "-D", said["PGDATA"], *login, "--auth-host=scram-sha-256", "-E", "UTF8"],
            check=True,
            stdout=subprocess.DEVNULL,
            env=said,
            cwd=home,
            **account,
        )
        subprocess.run(
            [self._program("postgres"), "--single", "-D", said["PGDATA"], "postgres"],
            input=f"CREATE DATABASE {said['POSTGRES_DB']}\n".encode(),
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=said,
            cwd=home,
            **account,
        )

    def _account(self, name: str) -> dict[str, Any]:
        """PostgreSQL refuses root, here as in its container."""
        if name != "postgres" or os.getuid() != 0:
            return {}
        entry = _unprivileged()
        return {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}


def _programs(folder: Path) -> str:
    """A PATH with the programs of the images: those of this environment, of PostgreSQL, and of the system."""
    folder.mkdir()
    (folder / "initdb").symlink_to(program("initdb", "postgresql"))
    (folder / "postgres").symlink_to(program("postgres", "postgresql"))
    return os.pathsep.join([str(Path(sys.executable).parent), str(folder), "/usr/sbin", "/usr/bin", "/bin"])
