"""An upgrade while takes come: `python tests/faults/upgrade.py COMMIT [TAKES]` prints what became of them.

API and worker of an older commit run on PostgreSQL and Redis; then the tables are migrated, a worker and an API of
this version join, and the old ones are told to end. Takes are sent all the while, to whichever API is there.
Not a test: it needs a commit to start from, and takes minutes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / folder) for folder in ("client", "service", "worker", "tests")]

import requests  # noqa: E402
from requests_toolbelt import MultipartEncoder  # noqa: E402
from sqlalchemy import text  # noqa: E402

from coilbench_worker.store.database import Database  # noqa: E402
from services import PostgresServer, RedisServer, free_port, wait_until  # noqa: E402
from working import recording  # noqa: E402


class Version:
    """The programs of one tree of the sources, with these settings."""

    def __init__(self, name: str, tree: Path, folder: Path, settings: dict[str, str]) -> None:
        self.name = name
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._folder = folder
        paths = os.pathsep.join(str(tree / part) for part in ("client", "service", "worker"))
        clean = {key: value for key, value in os.environ.items() if not key.startswith("COILBENCH_")}
        self._environment = clean | settings | {"PYTHONPATH": paths, "COILBENCH_LISTEN": f"127.0.0.1:{self.port}"}
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def _command(self, verb: str) -> list[str]:
        return [sys.executable, "-m", "coilbench_service.command", verb]

    def migrate(self) -> None:
        subprocess.run(self._command("migrate"), env=self._environment, check=True, cwd=self._folder)

    def start(self, verb: str) -> None:
        with self.log(verb).open("wb") as log:
            self._running[verb] = subprocess.Popen(
                self._command(verb), env=self._environment, stdout=log, stderr=log, cwd=self._folder
            )
        if verb == "api":
            wait_until(self._answers, f"the API of {self.name} answers")
        else:
            wait_until(lambda: "the worker is ready" in self.log(verb).read_text(), f"the worker of {self.name} works")

    def _answers(self) -> bool:
        assert self._running["api"].poll() is None, self.log("api").read_text()[-3000:]
        try:
            return requests.get(f"{self.url}/healthz", timeout=5).ok
        except requests.RequestException:
            return False

    def stop(self, verb: str) -> int:
        process = self._running.pop(verb)
        process.terminate()
        return process.wait(60)

    def log(self, verb: str) -> Path:
        return self._folder / f"{self.name}-{verb}.log"

    def measured(self) -> int:
        """How many takes its workers measured, by their log."""
        lines = [json.loads(line) for line in self.log("worker").read_text().splitlines() if line.startswith("{")]
        return sum(line["event"] == "done" for line in lines)

    def close(self) -> None:
        for process in self._running.values():
            process.kill()
            process.wait()


@contextmanager
def sources_of(commit: str) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="coilbench-old-") as folder:
        tree = Path(folder) / "tree"
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "--quiet", "--detach", str(tree), commit], check=True)
        try:
            yield tree
        finally:
            subprocess.run([*git, "remove", "--force", str(tree)], check=True)


def send(number: int, urls: list[str]) -> str:
    """Send one take, to the next API when one does not answer; its id."""
    key = str(uuid.uuid4())
    for url in [urls[number % len(urls)], *urls] * 3:
        body = MultipartEncoder({"file": (f"{number}.wav", recording(number), "audio/wav")})
        headers = {"Content-Type": body.content_type, "Idempotency-Key": key}
        try:
            answer = requests.post(f"{url}/v1/takes", data=body, headers=headers, timeout=60)
        except requests.ConnectionError:
            continue
        answer.raise_for_status()
        return str(answer.json()["id"])
    raise RuntimeError(f"nobody took take {number}")


def main(commit: str, count: int) -> int:
    """0 when every take was measured, and none twice."""
    with ExitStack() as stack:
        tree = stack.enter_context(sources_of(commit))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="coilbench-upgrade-")))
        postgres, redis = PostgresServer(), RedisServer()
        for server in (postgres, redis):
            stack.callback(server.close)
            server.start()
        postgres.execute("CREATE DATABASE shop")
        settings = {
            "COILBENCH_DATA": str(folder / "data"),
            "COILBENCH_DATABASE_URL": postgres.url("shop"),
            "COILBENCH_BROKER_URL": redis.url,
            "COILBENCH_WORKERS": "1",
        }
        old, new = Version("old", tree, folder, settings), Version("new", ROOT, folder, settings)
        stack.callback(old.close)
        stack.callback(new.close)
        old.migrate()
        old.start("api")
        old.start("worker")
        steps = {
            count // 5: new.migrate,
            2 * count // 5: lambda: new.start("worker"),
            3 * count // 5: lambda: new.start("api"),
            4 * count // 5: lambda: print(f"old API ended with {old.stop('api')}, worker with {old.stop('worker')}"),
        }
        urls, sent = [old.url, new.url], []
        for number in range(count):
            if number in steps:
                steps[number]()
            sent.append(send(number, urls))
        database = Database(postgres.url("shop"))
        stack.callback(database.close)

        def states() -> Counter[str]:
            with database.read() as connection:
                return Counter(connection.execute(text("SELECT state FROM takes")).scalars())

        wait_until(lambda: not states()["waiting"] + states()["measuring"], "nothing waits", within_s=600)
        with database.read() as connection:
            per_take = Counter(connection.execute(text("SELECT take_id FROM measurements")).scalars())
            tries = Counter(connection.execute(text("SELECT attempt - returned FROM jobs")).scalars())
        lost = len(set(sent) - set(per_take))
        twice = sum(number > 1 for number in per_take.values())
        print(f"{count} takes sent, {len(set(sent))} ids; states {dict(states())}")
        print(f"lost {lost}, measured twice into the table {twice}; attempts {dict(tries)}")
        print(f"measured by the old version {old.measured()}, by the new {new.measured()}")
        print(f"tables at {database.revision()}")
        return 0 if not lost and not twice and set(states()) == {"measured"} and len(set(sent)) == count else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 200))
