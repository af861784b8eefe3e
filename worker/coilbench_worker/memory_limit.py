"""The memory limit of a measuring process, so that one recording can't take the machine's memory from all others.

What does not fit then is a `MemoryError` in that process and for that take, long before the system starts to kill.
"""

from __future__ import annotations

import sys

MIB = 1 << 20


def limit_memory(mib: int) -> bool:
    """Bound the memory of this process; whether this system can.

    Only Linux: there RLIMIT_DATA counts what a process has for itself, allocated or mapped (setrlimit(2), since 4.7),
    and neither shared libraries nor address space that is only reserved, as RLIMIT_AS does. macOS takes such limits and
    does not keep them (common knowledge, not tried); Windows has none.

    Parameters
    ----------
    mib : MiB; a lower limit that was set from outside stays
    """
    if sys.platform != "linux":
        return False
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    limit = min([mib * MIB, *(bound for bound in (soft, hard) if bound != resource.RLIM_INFINITY)])
    resource.setrlimit(resource.RLIMIT_DATA, (limit, hard))
    return True
