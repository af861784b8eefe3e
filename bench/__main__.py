"""`python -m bench [--json FILE] [--part speed|profile|memory|table|service|cost|sizing|many|coverage|judgement]`:
figures beside their aims. It gates nothing: the exit code is 0 unless a part could not be run.
"""

import argparse
import json
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

from bench.figure import Figure, show
from bench.material import one_take, write_take


def _speed(folder: Path) -> list[Figure]:
    from bench.speed import speed

    return speed(write_take(folder / "take.wav", one_take()))


def _profile(folder: Path) -> list[Figure]:
    from bench.profile import profile

    return profile(write_take(folder / "take.wav", one_take()))


def _memory(folder: Path) -> list[Figure]:
    from bench.memory import memory

    return memory(folder, one_take())


def _table(folder: Path) -> list[Figure]:
    from bench.table import table

    return table(folder, one_take())


def _service(folder: Path) -> list[Figure]:
    from bench.service import service

    return service(folder, one_take())


def _cost(folder: Path) -> list[Figure]:
    from bench.cost import cost

    return cost(folder, one_take())


def _sizing(folder: Path) -> list[Figure]:
    from bench.sizing import sizing

    return sizing(folder, one_take())


def _many(folder: Path) -> list[Figure]:
    from bench.many import many

    return many(folder, one_take())


def _judgement(folder: Path) -> list[Figure]:
    from bench.judgement import judgement

    return judgement()


def _coverage(folder: Path) -> list[Figure]:
    from bench.coverage import coverage

    return coverage()


PARTS: dict[str, Callable[[Path], list[Figure]]] = {
    "speed": _speed,
    "profile": _profile,
    "memory": _memory,
    "table": _table,
    "service": _service,
    "cost": _cost,
    "sizing": _sizing,
    "many": _many,
    "coverage": _coverage,
    "judgement": _judgement,
}
ON_REQUEST = {"judgement", "many", "sizing"}
"""Parts that run only when they are asked for: they take too long."""

WIDTH = 140  # of the table where no terminal sets one


def main() -> int:
    """Run the parts asked for, by default all that are quick; 1 when one of them could not be run."""
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__)
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures to FILE as well")
    parser.add_argument("--part", choices=PARTS, action="append", help="only this part; may be repeated")
    chosen = parser.parse_args()
    console, progress = Console(), Console(stderr=True)
    if not console.is_terminal:
        console = Console(width=WIDTH)
    figures: list[Figure] = []
    broken: dict[str, str] = {}
    for name in chosen.part or [name for name in PARTS if name not in ON_REQUEST]:
        progress.print(f"{name} ...")
        start = time.monotonic()
        try:
            with tempfile.TemporaryDirectory(prefix="coilbench-bench-") as folder:
                figures += PARTS[name](Path(folder))
        except Exception as error:  # the other parts are still worth their figures
            broken[name] = f"{type(error).__name__}: {error}\n{getattr(error, 'stderr', None) or ''}".strip()
        progress.print(f"{name}: {time.monotonic() - start:.0f} s")
    show(figures, console)
    for name, reason in broken.items():
        console.print(f"{name} could not be run: {reason}", style="red", markup=False)
    if chosen.json is not None:
        machine = {"python": platform.python_version(), "system": platform.platform(), "processors": os.cpu_count()}
        document = {"machine": machine, "figures": [figure.document() for figure in figures], "broken": broken}
        chosen.json.write_text(json.dumps(document, indent=2) + "\n", "utf-8")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
