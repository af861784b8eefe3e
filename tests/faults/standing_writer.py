"""A process that locks a take in PostgreSQL and then stands still, as one does that is frozen or cut off.

python standing_writer.py DATABASE_URL TAKE_ID IDLE_S
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "worker")]

from coilbench_worker.jobs.locks import lock_take  # noqa: E402
from coilbench_worker.store import database as database_module  # noqa: E402
from coilbench_worker.store.database import Database  # noqa: E402


def main(url: str, take_id: str, idle_s: int) -> None:
    """Stand still with the lock in hand."""
    database_module.IDLE_IN_WRITE_S = idle_s
    with Database(url).write() as connection:
        lock_take(connection, take_id)
        print("locked", flush=True)
        os.kill(os.getpid(), signal.SIGSTOP)
    print("committed")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
