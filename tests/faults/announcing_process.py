"""A node's rounds of re-dispatch in a process of its own: prints the id of each job that it would announce.

python announcing_process.py DATABASE_URL THREADS ROUNDS; begins when something comes on standard input
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "worker")]

from coilbench_worker.jobs.expiry import due  # noqa: E402
from coilbench_worker.store.database import Database  # noqa: E402

LONG_S = 600.0
found: list[str] = []


def rounds(database: Database, count: int, begin: threading.Barrier) -> None:
    """So many rounds, one after another."""
    for _ in range(count):
        begin.wait()
        found.extend(due(database, max_attempts=3, lease_s=LONG_S, republish_after_s=LONG_S))


def main(url: str, threads: int, count: int) -> None:
    """All threads at once, and what they found."""
    database = Database(url)
    begin = threading.Barrier(threads)
    nodes = [threading.Thread(target=rounds, args=(database, count, begin)) for _ in range(threads)]
    print("ready", flush=True)
    sys.stdin.readline()
    for node in nodes:
        node.start()
    for node in nodes:
        node.join()
    print("\n".join(found))
    database.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
