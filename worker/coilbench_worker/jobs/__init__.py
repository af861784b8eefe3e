"""Every change of state of a take and its jobs, one module per act.

    accept ──> waiting ──claim──> measuring ──finish──> measured
                  ^                │  │  │
                  │                │  │  └──reject──> rejected   the recording can't be measured: a problem says why
                  ├───hand_back────┘  │
                  │   (clean stop, passing fault)
                  └───expire──────────┤               the lease ran out: its process died
                                      └──fail───> failed         our fault, or max_attempts used up

    request (new settings): measured, rejected, failed, waiting, measuring ──> waiting with a new job, or at once
    measured when that measurement is there already. The job whose place was taken is `superseded`.
    remove: the take, its jobs and measurements go; the recording goes with its last take.

The database says what is to be done; the broker only says when. A claim raises the job's `attempt`; finish, reject,
fail and hand_back change something only while the job is `measuring` at that very attempt, so a late or second
finisher changes nothing. A claim holds a lease, by the database's clock, that its process extends while it lives. Rows
are locked take first, then job, everywhere. The drawing as a table, with every guard, is in `transitions.py`.
"""

from coilbench_worker.jobs.accept import accept
from coilbench_worker.jobs.claim import Claim, claim, extend
from coilbench_worker.jobs.expiry import due
from coilbench_worker.jobs.handing_back import hand_back, hand_back_all, held
from coilbench_worker.jobs.outcome import fail, finish, reject
from coilbench_worker.jobs.removal import remove
from coilbench_worker.jobs.request import request
from coilbench_worker.jobs.settings import Settings
from coilbench_worker.jobs.stall import stalled_since

__all__ = [
    "Claim",
    "Settings",
    "accept",
    "claim",
    "due",
    "extend",
    "fail",
    "finish",
    "hand_back",
    "hand_back_all",
    "held",
    "reject",
    "remove",
    "request",
    "stalled_since",
]
