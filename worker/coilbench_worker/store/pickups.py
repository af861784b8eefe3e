"""The data sheets of pickups, as kept; nothing here knows what the fields of a sheet mean."""

from coilbench_worker.store.schema import pickups
from coilbench_worker.store.sheets import Sheets

PICKUPS = Sheets(pickups, "pickup_id", lock=1)

get = PICKUPS.get
page = PICKUPS.page
by_key = PICKUPS.by_key
add = PICKUPS.add
lock = PICKUPS.lock
change = PICKUPS.change
remove = PICKUPS.remove
