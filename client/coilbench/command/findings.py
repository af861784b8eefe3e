"""What stands beneath a table: problems of takes and findings of checks, each with what to do about it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import fill

import click
from rich.console import Console
from rich.text import Text

from coilbench.client import Client
from coilbench.command.naming import names_of
from coilbench.errors import Refused
from coilbench.measurement import Check, Measurement
from coilbench.table import Table, cell_text
from coilbench.take import Take

EXAMPLES = 3
"""Takes shown for each check; with more of them the rest is counted."""

ADVICE = {
    "key-missing": "Put a key into COILBENCH_KEY; who runs the service makes one: `coilbench-server key make NAME`.",
    "key-unknown": "See that COILBENCH_KEY holds a whole key of this very service; whoever runs it can make another.",
    "scope-missing": "Ask who runs the service for a key that may: `coilbench-server key make NAME --scope SCOPE`.",
    "too-many-requests": "Go on in a minute; whoever runs the service can raise the limit of a key.",
    "upload-quota-used": "Send it all again then (what is there is skipped), or have the limit of the key raised.",
    "callback-unknown": "`coilbench callback list` lists the call-backs; a deleted one does not return.",
    "callback-tested-lately": "`coilbench callback deliveries ID` says what came of it; try again in ten seconds.",
    "too-many-callbacks": "Delete one that is no longer needed, or let one address hear of several sessions.",
    "chain-unknown": "`coilbench chain list` lists the chains; `coilbench chain add KEY` makes one.",
    "chain-exists": "Choose another key, or change the chain that is there: `coilbench chain change KEY`.",
    "calibration-unknown": "`coilbench chain show KEY` lists the calibrations; a deleted one does not return.",
    "pickup-unknown": "`coilbench pickup list` lists the sheets; `coilbench pickup add KEY` makes one.",
    "pickup-exists": "Choose another key, or change the sheet that is there: `coilbench pickup set KEY NAME=VALUE`.",
    "session-unknown": "`coilbench session list` lists the sheets; `coilbench session add KEY` makes one.",
    "session-exists": "Choose another key, or change the sheet that is there: `coilbench session set KEY NAME=VALUE`.",
    "subject-unknown": "`coilbench pickup list` lists the pickups, `coilbench table` the takes.",
    "field-unknown": "`coilbench pickup list` shows the sheets; `coilbench pickup set KEY NAME=VALUE` adds to one.",
    "wish-contradictory": "Leave one of them out; `coilbench words` shows what each word asks for.",
    "word-unknown": "`coilbench words` lists the words; `coilbench words set WORD QUANTITY DIRECTION` makes one.",
    "csv-faulty": "Correct what is listed and import the whole table again; nothing of it was kept.",
    "tone-unfit": "Mend what is listed and record ten seconds of one steady 1 kHz sine anew; nothing was kept.",
}
"""What to type, where the service's own advice names requests."""

UNDER_ERRORS = "Correct the fields listed under errors."
"""Advice for programs, which see `errors` by that name."""

IN_A_HEADER = "after the seconds in Retry-After"
"""Advice for programs, which see the headers of the answer."""

INDENT = "    "
SEVERITIES = ("reject", "caution", "note")


def show_problems(takes: Iterable[Take], console: Console) -> None:
    """List the takes that could not be measured, with reason and advice.

    Parameters
    ----------
    takes : any; those without a problem are passed over
    console : where to
    """
    for take in takes:
        if take.state not in ("rejected", "failed"):
            continue
        console.print(Text(f"{take.state}  {take.label}  ({take.id})", style="bold"))
        if take.problem is None:
            continue
        problem = take.problem
        first, *others = problem.lines()
        for line in [first if problem.title in first else f"{problem.title}. {first}", *others]:
            _indented(line, console)


def said(refusal: Refused) -> list[str]:
    """The lines that say what the service refused, which fields are at fault, and what to do.

    Parameters
    ----------
    refusal : as raised
    """
    lines = refusal.problem.lines()
    if refusal.problem.advice and refusal.problem.slug in ADVICE:
        scope = refusal.problem.further.get("scope", "SCOPE")
        lines[-1:] = [ADVICE[refusal.problem.slug].replace("SCOPE", str(scope))]
    lines[-1] = lines[-1].replace(IN_A_HEADER, "in a moment")
    if lines[-1] == UNDER_ERRORS:
        lines[-1] = "Correct what is named above."
    if any(error.field.partition(".")[0] == "quantities" for error in refusal.problem.errors):
        lines[-1:] = ["`coilbench table --list-quantities` lists those that there are."]
    if refusal.problem.slug not in ADVICE and any(
        error.field.partition(".")[0] == "wish" for error in refusal.problem.errors
    ):
        lines[-1:] = ["`coilbench words` lists the words, `coilbench table --list-quantities` the quantities."]
    return lines


def say_unusable(table: Table) -> None:
    """Say on standard error which takes were measured and can't carry a comparison; nothing when all can.

    Parameters
    ----------
    table : by take or by strum
    """
    names = names_of(table.rows)
    takes: dict[str, str] = {}
    every = set()
    for place, row in enumerate(table.rows):
        every.add(row["take"])
        if row.get("usable") is False:
            takes.setdefault(str(row["take"]), names[place])
    if takes:
        shown = ", ".join(list(takes.values())[:EXAMPLES])
        more = f" and {len(takes) - EXAMPLES} more" if len(takes) > EXAMPLES else ""
        click.echo(f"{len(takes)} of {len(every)} can't carry a comparison: {shown}{more}.", err=True)


def show_checks(table: Table, client: Client, console: Console) -> None:
    """List what the checks found, by check, with a few takes each.

    Parameters
    ----------
    table : its column `checks` names what was found
    client : gives messages and advice
    console : where to
    """
    takes_by_code = _takes_by_code(table)
    if not takes_by_code:
        return
    advice = {kind.code: kind for kind in client.checks()}
    known: dict[str, Measurement | None] = {}
    names = {str(row["take"]): name for row, name in zip(table.rows, names_of(table.rows), strict=True)}
    found: list[tuple[Check, list[str], dict[str, list[str]]]] = []
    for code, ids in takes_by_code.items():
        said: dict[str, list[str]] = {}
        worst: Check | None = None
        for id in ids[:EXAMPLES]:
            for check in _checks_of(id, code, client, known):
                said.setdefault(check.message, []).append(names[id])
                if worst is None or _order(check) < _order(worst):
                    worst = check
        if worst is not None:
            found.append((worst, ids, said))
    for worst, ids, said in sorted(found, key=lambda entry: _order(entry[0])):
        count = f"{len(ids)} takes" if len(ids) > 1 else "1 take"
        console.print(Text(f"{worst.severity}  {worst.code}  ({count})", style="bold"))
        for message, labels in said.items():
            _indented(f"{', '.join(labels)}: {message}", console)
        if len(ids) > EXAMPLES:
            _indented(f"and {len(ids) - EXAMPLES} more", console)
        kind = advice.get(worst.code)
        if kind is not None and not any(kind.advice in message for message in said):
            _indented(kind.advice, console)


def _takes_by_code(table: Table) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for row in table.rows:
        for code in cell_text(row.get("checks")).replace(";", ",").split(","):
            ids = found.setdefault(code.strip(), []) if code.strip() else None
            if ids is not None and row["take"] not in ids:
                ids.append(str(row["take"]))
    return found


def _checks_of(id: str, code: str, client: Client, known: dict[str, Measurement | None]) -> Sequence[Check]:
    if id not in known:
        try:
            known[id] = client.measurement(id)
        except Refused:  # deleted or measured again meanwhile: its row stands, its words are gone
            known[id] = None
    measurement = known[id]
    return [check for check in measurement.checks if check.code == code] if measurement else []


def _order(check: Check) -> int:
    return SEVERITIES.index(check.severity) if check.severity in SEVERITIES else len(SEVERITIES)


def _indented(text: str, console: Console) -> None:
    if text:
        console.print(Text(fill(text, console.width - 1, initial_indent=INDENT, subsequent_indent=INDENT)))
