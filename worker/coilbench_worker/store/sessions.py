"""The sheets of sessions, as kept. Whoever works out what a take inherits, and acts on it, holds them meanwhile.

A session may come into being, change or go while takes that name it arrive: both sides look at each other's rows, and
under READ COMMITTED neither sees what the other has not committed. So who writes a sheet holds all of them, and who
enters or describes a take holds them shared (`SESSIONS.hold`), before any row is locked.
"""

from coilbench_worker.store.schema import sessions
from coilbench_worker.store.sheets import Sheets

SESSIONS = Sheets(sessions, "session_id", lock=2)

get = SESSIONS.get
page = SESSIONS.page
by_key = SESSIONS.by_key
add = SESSIONS.add
lock = SESSIONS.lock
change = SESSIONS.change
remove = SESSIONS.remove
hold = SESSIONS.hold
