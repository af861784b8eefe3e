"""Runs tests/standards and writes docs/standards.md from what they recorded: `python docs/standards.py`.

Every row comes from a marker and a fixture of tests/standards/conftest.py that assert what they record.
tests/unit/test_standards_table.py fails while a row of the page is missing, left over, or has another tolerance.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from string import Template
from typing import Any
from xml.etree import ElementTree

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "standards.md"
TESTS = "tests/standards"
PROPERTY = "standard"
HEAD = ("quantity", "source and clause", "tolerance", "largest deviation seen", "test")
STATED = (0, 1, 2, 4)
"""Columns that are the same on every machine; the deviation differs in its last digits."""

TEXT = Template("""\
# What the measurements were held against

Written by docs/standards.py (part of `make docs`), which runs the tests of tests/standards and writes down what each of
them recorded: the same call asserts a deviation and records it.

A deviation is what the program measured minus what the source says, and the largest of all cases, sample rates and
seeds of the test is shown; its last digits differ from machine to machine. Where the limits are a mask, the narrowest
margin is shown as "inside". "Closed form" means arithmetic on a signal whose parameters are known. The documents of IEC
and ISO were read through open transcriptions, those of ITU and EBU themselves.

$sections
""")


@dataclass(frozen=True)
class Row:
    """One row of the page: what was stated, by which test, and the largest deviation that was recorded."""

    file: str
    test: str
    quantity: str
    source: str
    clause: str
    low: float
    high: float
    unit: str
    limits: str | None
    deviation: float | None = None

    def cells(self) -> tuple[str, ...]:
        """Text of the columns of HEAD."""
        seen = "" if self.deviation is None else self._seen(self.deviation)
        where = f"{self.source}, {self.clause}" if self.clause else self.source
        return (self.quantity, where, self._tolerance(), seen, f"`{self.test}`")

    def _tolerance(self) -> str:
        if self.limits is not None:
            return self.limits
        if self.low == -self.high:
            return f"±{self.high:g} {self.unit}".rstrip()
        return f"{_signed(self.low)} to {_signed(self.high)} {self.unit}"

    def _seen(self, deviation: float) -> str:
        inside = math.isinf(self.low)
        return f"{_digits(-deviation)} {self.unit} inside" if inside else f"{_digits(deviation)} {self.unit}".rstrip()


def main() -> None:
    """Run the tests and write the page; stop with what pytest said when they fail."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        command = [sys.executable, "-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider", f"--junitxml={report}"]
        ran = subprocess.run([*command, TESTS], cwd=ROOT, capture_output=True, text=True, check=False)
        if ran.returncode != 0:
            sys.exit(f"{TESTS} failed, so docs/standards.md stays as it is:\n{ran.stdout[-4000:]}{ran.stderr[-2000:]}")
        PAGE.write_text(page(recorded(report)), encoding="utf-8", newline="\n")


def recorded(report: Path) -> list[Row]:
    """Rows in the order of the tests, each with the largest deviation over its cases, from a report in JUnit's XML."""
    worst: dict[Row, tuple[float, float]] = {}
    for case in ElementTree.parse(report).iter("testcase"):
        file, test = f"{case.attrib['classname'].replace('.', '/')}.py", case.attrib["name"].partition("[")[0]
        for noted in case.iter("property"):
            if noted.attrib["name"] == PROPERTY:
                said: dict[str, Any] = json.loads(noted.attrib["value"])
                figures = said.pop("used"), said.pop("deviation")
                row = Row(file, test, **said)
                worst[row] = max(worst.get(row, figures), figures)
    return [Row(**{**vars(row), "deviation": deviation}) for row, (_, deviation) in worst.items()]


def page(rows: Iterable[Row]) -> str:
    """The page: one table for each file of tests, rows by test and quantity."""
    files: dict[str, list[Row]] = {}
    for row in sorted(rows, key=lambda row: (row.file, row.quantity, row.test, row.clause)):
        files.setdefault(row.file, []).append(row)
    return TEXT.substitute(sections="\n\n".join(_section(file, found) for file, found in files.items()))


def stated(text: str) -> set[tuple[str, ...]]:
    """What a written page states: file and the cells of its rows that don't depend on the machine."""
    found, file = set(), ""
    for line in text.splitlines():
        if line.startswith("## "):
            file = line.removeprefix("## ")
        elif line.startswith("| ") and not line.startswith(("| ---", f"| {HEAD[0]} |")):
            cells = line.strip("| ").split(" | ")
            found.add((file, *(cells[column] for column in STATED)))
    return found


def _section(file: str, rows: list[Row]) -> str:
    cells = [HEAD, ("---",) * len(HEAD), *(row.cells() for row in rows)]
    return f"## {file}\n\n" + "\n".join("| " + " | ".join(each) + " |" for each in cells)


def _signed(value: float) -> str:
    return f"{value:+g}" if value else "0"


def _digits(value: float) -> str:
    """Two figures."""
    if value == 0.0:
        return "0"
    if abs(value) < 1e-4:
        return f"{value:.0e}"
    return f"{value:.{max(1 - math.floor(math.log10(abs(value))), 0)}f}"


if __name__ == "__main__":
    main()
