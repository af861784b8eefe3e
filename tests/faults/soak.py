"""As many mutated files as you have patience for: python tests/faults/soak.py FIRST LAST; 1 when any is wrong.

Seeds below 10,000 are in the tests (test_hostile_files.py); a seed found here goes to ONCE_WRONG there.
"""

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "worker"), str(ROOT / "tests")]

from faults.hostile import run  # noqa: E402

STEP = 1_000


def main(first: int, last: int) -> int:
    """Say what went wrong after every thousand."""
    wrong = 0
    for begin in range(first, last, STEP):
        tally = run(range(begin, min(begin + STEP, last)))
        wrong += len(tally.complaints)
        print(f"{begin + tally.outcomes.total() + tally.deaths - first} files, {wrong} wrong", flush=True)
        for complaint in tally.complaints:
            print(complaint)
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]), int(sys.argv[2])))
