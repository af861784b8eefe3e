"""What was left out and why, and the checks that spoke up, with what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from coilbench_service.report.blocks import Block, Head, Paragraph, Section, Table
from coilbench_service.report.contents import Contents
from coilbench_service.writing import NOTHING, capital, said, some
from coilbench_worker.measure.checks import check_kind

SEVERITIES = {"reject": "not usable", "caution": "caution", "note": "note"}
"""Worst first."""
EACH = 3
"""Takes up to which every finding is told with its numbers; of more, what the check means."""
MOST_NAMES = 12


def left_out(contents: Contents) -> Section:
    """Takes that do not count."""
    return Section("left-out", "What was left out, and why", tuple(_left_out(contents)))


def checks(contents: Contents) -> Section:
    """Checks of the takes that are measured."""
    return Section("checks", "Checks that spoke up", tuple(_checks(contents)))


def _left_out(contents: Contents) -> Iterator[Block]:
    if not contents.left_out:
        yield Paragraph("Nothing: all takes of the session count.")
        return
    by_id = {take.id: take for take in contents.takes}
    rows = []
    for one in contents.left_out:
        advice = (by_id[one.take].take["problem"] or {}).get("advice") if one.take in by_id else None
        why = f"{capital(said(one.reason)).rstrip('.')}."
        if advice and advice not in why:
            why = f"{why} {advice}"
        rows.append((contents.named.get(one.take, one.take), one.subject or NOTHING, why))
    heads = (Head("Take"), Head("Pickup"), Head("Why, and what to do", width=3.0))
    yield Table("Takes that do not count", heads, tuple(rows))


def _checks(contents: Contents) -> Iterator[Block]:
    found: dict[tuple[str, str], list[tuple[str, Mapping[str, Any]]]] = {}
    for take in contents.takes:
        for check in (take.measurement or {}).get("checks", ()):
            found.setdefault((check["severity"], check["code"]), []).append((take.id, check))
    if not found:
        yield Paragraph("None.")
        return
    ranks = list(SEVERITIES)
    rows = tuple(
        (check_kind(code).title, SEVERITIES[severity], *_told(contents, code, those))
        for (severity, code), those in sorted(found.items(), key=lambda item: ranks.index(item[0][0]))
    )
    heads = (
        Head("Check"),
        Head("Weight", width=0.6),
        Head("Takes", width=1.2),
        Head("What was found; what to do", width=2.8),
    )
    yield Paragraph(
        "A note is good to know; a caution asks to read figures with care; what is not usable was left out."
    )
    yield Table("Checks by weight", heads, rows)


def _told(contents: Contents, code: str, those: list[tuple[str, Mapping[str, Any]]]) -> tuple[str, str]:
    names = list(dict.fromkeys(contents.named[take] for take, _ in those))
    if len(those) <= EACH:
        return some(names, MOST_NAMES), " ".join(dict.fromkeys(said(check["message"]) for _, check in those))
    kind = check_kind(code)
    return some(names, MOST_NAMES), f"{kind.meaning} {kind.advice}"
