"""What the audit of the dependencies concludes, by reports of our own making in the form that pip-audit writes."""

from __future__ import annotations

import importlib.util
import json
import sys
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

FILE = Path(__file__).parents[2] / ".ci" / "audit.py"
TODAY = date(2026, 12, 1)
CLEAN = {"name": "lathe", "version": "1.2", "vulns": []}
SKIPPED = {"name": "unheard-of", "skip_reason": "Dependency not found and could not be audited: unheard-of (1.0)"}
VULNERABLE = {
    "name": "saw",
    "version": "0.9",
    "vulns": [
        {"id": "OURS-2026-1", "aliases": ["ALSO-7"], "fix_versions": ["0.9.1"], "description": "It cuts fingers."}
    ],
}


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    """The script, which is no part of a package."""
    spec = importlib.util.spec_from_file_location("audit", FILE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["audit"] = module
    spec.loader.exec_module(module)
    return module


def _run(audit: ModuleType, *packages: Any, ignored: Any = (), today: date = TODAY) -> tuple[str, int]:
    verdict = audit.judge_run(json.dumps({"dependencies": packages, "fixes": []}), "", ignored, today)
    return "\n".join(verdict.lines), verdict.status


def test_a_known_vulnerability_fails_and_names_package_id_and_cure(audit: ModuleType) -> None:
    said, status = _run(audit, CLEAN, VULNERABLE)
    assert status == 1
    assert "VULNERABLE: saw 0.9: OURS-2026-1, ALSO-7; mended in 0.9.1" in said


def test_a_clean_report_passes(audit: ModuleType) -> None:
    assert _run(audit, CLEAN, CLEAN | {"name": "plane"}) == ("2 packages audited, no known vulnerability.", 0)


def test_a_source_that_knows_no_package_at_all_is_said_to_be_out_of_reach(audit: ModuleType) -> None:
    said, status = _run(audit, SKIPPED, SKIPPED | {"name": "neither"})
    assert status == 0
    assert said.startswith("NOT AUDITED: the source of advisories can't be reached")
    assert "no known vulnerability" not in said


def test_half_an_audit_says_which_half_and_fails_only_for_what_it_found(audit: ModuleType) -> None:
    said, status = _run(audit, CLEAN, SKIPPED)
    assert status == 0
    assert "NOT AUDITED: 1 of 2 packages, which the source does not know: unheard-of" in said
    assert _run(audit, VULNERABLE, SKIPPED)[1] == 1


@pytest.mark.parametrize(
    "errors",
    [
        "Traceback ...\nrequests.exceptions.ConnectionError: nobody there",
        "ERROR:pip_audit._cli:Could not connect to the service: timed out",
    ],
)
def test_without_a_connection_nothing_is_claimed(audit: ModuleType, errors: str) -> None:
    verdict = audit.judge_run("", errors, (), TODAY)
    assert verdict.status == 0
    assert verdict.lines[0].startswith("NOT AUDITED: the source of advisories can't be reached")


@pytest.mark.parametrize("errors", ["", "usage: pip-audit [-h]\npip-audit: error: no such option", "No module named x"])
def test_a_tool_that_does_not_work_is_no_audit_and_fails(audit: ModuleType, errors: str) -> None:
    assert audit.judge_run("", errors, (), TODAY).status == 2


@pytest.mark.parametrize("id_", ["OURS-2026-1", "ALSO-7"])
def test_what_is_ignored_is_told_with_its_reason_until_its_day(audit: ModuleType, id_: str) -> None:
    entry = audit.Ignored("saw", id_, "we never saw", date(2026, 11, 1), date(2027, 1, 1))
    said, status = _run(audit, VULNERABLE, ignored=(entry,))
    assert status == 0
    assert "ignored until 2027-01-01: saw OURS-2026-1: we never saw" in said
    assert _run(audit, VULNERABLE, ignored=(entry,), today=date(2027, 1, 1))[1] == 1
    other = audit.Ignored("lathe", id_, "we never saw", date(2026, 11, 1), date(2027, 1, 1))
    said, status = _run(audit, VULNERABLE, ignored=(other,))
    assert status == 1
    assert "take it out of IGNORED: lathe" in said


def test_entries_of_the_table_have_a_reason_and_days_in_order(audit: ModuleType) -> None:
    for entry in audit.IGNORED:
        assert entry.reason
        assert entry.since < entry.until
