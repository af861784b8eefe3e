"""Known vulnerabilities of the dependencies: runs pip-audit on a file of versions, and judges what it reports.

    python .ci/audit.py constraints.txt

Exit 0: none is known, or the source of advisories could not be asked, which is said. Exit 1: one is known that is not
in the table `IGNORED`. Exit 2: pip-audit itself does not work.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

FOUND, FAULTY = 1, 2
AUDIT = ("--no-deps", "--disable-pip", "--format", "json", "--progress-spinner", "off", "--timeout", "15")
UNREACHED = ("requests.exceptions.", "ConnectionError", "Connection refused", "timed out", "Service Unavailable")
"""In what pip-audit says when it ends without a report: the source of advisories could not be asked."""
NOT_AUDITED = "NOT AUDITED: the source of advisories can't be reached"


@dataclass(frozen=True)
class Ignored:
    """A vulnerability that does not concern us; from `until` on it counts again, so that somebody looks anew."""

    package: str
    id: str
    reason: str
    since: date
    until: date


IGNORED: tuple[Ignored, ...] = ()
"""Empty: nothing is ignored. An entry: Ignored("name", "PYSEC-...", "why it can't harm here", date(...), date(...))."""


@dataclass(frozen=True)
class Verdict:
    """What to print, and the exit status."""

    lines: tuple[str, ...]
    status: int


def judge(report: Mapping[str, Any], ignored: Iterable[Ignored], today: date) -> Verdict:
    """What a report of pip-audit (its JSON) means.

    Parameters
    ----------
    ignored : an entry is for the id that pip-audit gives, or for one of its aliases
    """
    packages = report["dependencies"]
    skipped = [package for package in packages if "skip_reason" in package]
    audited = [package for package in packages if "skip_reason" not in package]
    if not audited:
        return Verdict((f"{NOT_AUDITED} (it knows none of the {len(packages)} packages).",), 0)
    left = {(entry.package, entry.id): entry for entry in ignored}
    lines, open_ = [], 0
    for package in audited:
        for fault in package["vulns"]:
            ids = (fault["id"], *fault.get("aliases", ()))
            entry = next((left.pop(known) for one in ids if (known := (package["name"], one)) in left), None)
            if entry is not None and today < entry.until:
                lines.append(f"ignored until {entry.until}: {package['name']} {ids[0]}: {entry.reason}")
                continue
            open_ += 1
            mended = ", ".join(fault["fix_versions"]) or "no version yet"
            lines.append(f"VULNERABLE: {package['name']} {package['version']}: {', '.join(ids)}; mended in {mended}")
    lines += [f"no longer reported, take it out of IGNORED: {name} {id_}" for name, id_ in left]
    if skipped:
        names = ", ".join(package["name"] for package in skipped)
        lines.append(
            f"NOT AUDITED: {len(skipped)} of {len(packages)} packages, which the source does not know: {names}"
        )
    said = f"{open_} known vulnerabilities" if open_ else "no known vulnerability"
    lines.append(f"{len(audited)} packages audited, {said}.")
    return Verdict(tuple(lines), FOUND if open_ else 0)


def judge_run(output: str, errors: str, ignored: Iterable[Ignored], today: date) -> Verdict:
    """What a whole run of pip-audit means, by its standard output and standard error."""
    try:
        report = json.loads(output)
    except ValueError:
        last = (errors.strip().splitlines() or ["nothing was said"])[-1]
        if any(sign in errors for sign in UNREACHED):
            return Verdict((f"{NOT_AUDITED}: {last:.300}",), 0)
        return Verdict((f"pip-audit does not work: {last:.300}",), FAULTY)
    return judge(report, ignored, today)


def main() -> int:
    """Audit the files named on the command line."""
    files = [part for file in sys.argv[1:] or ["constraints.txt"] for part in ("--requirement", file)]
    run = subprocess.run([sys.executable, "-m", "pip_audit", *AUDIT, *files], capture_output=True, text=True)
    verdict = judge_run(run.stdout, run.stderr, IGNORED, date.today())
    print("\n".join(verdict.lines))
    return verdict.status


if __name__ == "__main__":
    sys.exit(main())
