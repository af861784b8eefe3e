"""The memory limit of a process, tried in processes of their own."""

import subprocess
import sys

import pytest

from coilbench_worker import memory_limit

LIMITED = """
import resource, sys
from coilbench_worker.memory_limit import limit_memory
outer, inner, wanted = map(int, sys.argv[1:])
if outer:
    resource.setrlimit(resource.RLIMIT_DATA, (outer << 20, resource.RLIM_INFINITY))
print(limit_memory(inner), resource.getrlimit(resource.RLIMIT_DATA)[0] >> 20, end=" ")
try:
    bytearray(wanted << 20)
    print("there")
except MemoryError:
    print("refused")
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps the limit (memory_limit.py)")
@pytest.mark.parametrize(
    ("outer", "inner", "wanted", "said"),
    [(0, 512, 600, "True 512 refused"), (0, 512, 100, "True 512 there"), (400, 512, 450, "True 400 refused")],
    ids=["beyond the limit", "within the limit", "a lower limit from outside stays"],
)
def test_memory_beyond_the_limit_is_a_memory_error(outer: int, inner: int, wanted: int, said: str) -> None:
    words = [sys.executable, "-c", LIMITED, str(outer), str(inner), str(wanted)]
    assert subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip() == said


def test_a_system_that_keeps_no_such_limit_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory_limit.sys, "platform", "win32")
    assert memory_limit.limit_memory(512) is False
