"""Measuring takes little memory: no more for a take of ten minutes than for one of three, and little for a strum that
rings on and on.
"""

import subprocess
import sys
from pathlib import Path

import pytest

CHILD = Path(__file__).parent.parent / "measuring_process.py"
MOST_BYTES = 150_000_000
RINGING_MOST_BYTES = 100_000_000
"""As long as 30 s of a strum were read at once, it took 250 MB at 192 kHz; by blocks it takes 57."""
RATE_HZ, HIGH_RATE_HZ = 48_000, 192_000


def peak_bytes(minutes: float, rate_hz: int = RATE_HZ, *kind: str) -> tuple[int, int]:
    """Greatest memory above that of the imports while a take is measured, and how many strums it had."""
    done = subprocess.run(
        [sys.executable, "-W", "error", str(CHILD), str(minutes), str(rate_hz), *kind],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    peak, strums = done.stdout.split()
    return int(peak), int(strums)


@pytest.mark.skipif(sys.platform != "linux", reason="reads the greatest memory from /proc")
def test_memory_of_measuring_does_not_grow_with_length() -> None:
    """150 MB above the imports at most; ten minutes need at most 30 MB more than three."""
    three, ten = peak_bytes(3.0), peak_bytes(10.0)
    print(f"\n3 minutes: {three[0] / 1e6:.0f} MB for {three[1]} strums; 10 minutes: {ten[0] / 1e6:.0f} MB for {ten[1]}")
    assert three[1] == 30
    assert ten[1] == 100
    assert ten[0] < MOST_BYTES
    assert ten[0] < three[0] + 30_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="reads the greatest memory from /proc")
def test_strum_that_rings_for_half_a_minute_at_192_khz_takes_little_memory() -> None:
    peak, strums = peak_bytes(40 / 60, HIGH_RATE_HZ, "ringing")
    print(f"\nringing at 192 kHz: {peak / 1e6:.0f} MB")
    assert strums == 1
    assert peak < RINGING_MOST_BYTES
