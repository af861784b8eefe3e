"""How fast and how frugal the program is: `python -m bench`.

Speed depends on the machine, so each figure of speed is a ratio to something measured in the same run. Everything runs
with one thread of the numeric libraries, as the measuring processes of the worker do; waiting threads of those would
otherwise count as work.
"""

import os

from coilbench_worker.node import ONE_THREAD

os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
