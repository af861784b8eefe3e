"""`coilbench-server doctor`: every setting with its source, every connection tried, in plain words.

Then what there is to say of settings together, machine, broker, clock, keys and takes, one module each: what was found,
why it matters, what to do.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from coilbench_service import hosts, readiness
from coilbench_service.bench import Bench
from coilbench_service.doctor import access, broker, clocks, contradictions, machine, queue
from coilbench_service.doctor.finding import Finding
from coilbench_worker.configuration import Configuration, sources, strangers
from coilbench_worker.passwords import masked_address


def report(configuration: Configuration) -> tuple[list[str], bool]:
    """The lines to print, and whether all is well. Nothing is made: doctor may run before anything does.

    So an absent worker is well, and on the embedded default so are tables and folders that `up` will make.
    """
    lines = ["Settings"]
    for row in sources(configuration):
        lines.append(f"  {row.variable} = {row.value or '(not set)'}    [{row.source}]")
        lines.append(f"      {row.description}")
    lines += [f"  {name} is set but is no setting of coilbench; correct its name or unset it" for name in strangers()]
    lines += [
        "",
        "Stores",
        f"  database    {_shown(configuration)}",
        f"  recordings  {masked_address(configuration.blobs)}",
    ]
    faults = list(_address(configuration))
    lines += ["", "Connections"]
    bench = Bench.of(configuration)
    try:
        found = readiness.parts_untouched(bench)
        nothing_yet = configuration.embedded and not bench.database.made
        there = {part.name for part in found if part.fault is None}
        findings = list(_findings(bench, there))
    finally:
        bench.close()
    for part in found:
        if part.fault is None:
            lines.append(f"  ok       {part.name}: {part.finding}")
        elif nothing_yet and part.to_come:
            lines.append(f"  note     {part.name}: nothing here yet; `coilbench-server up` will make it")
        elif part.name == "worker" or (configuration.embedded and part.to_come):
            lines.append(f"  note     {part.name}: {part.fault}")
        else:
            faults.append(f"{part.name}: {part.fault}")
    lines += [f"  BROKEN   {fault}" for fault in faults]
    lines += ["", "State", *(line for finding in findings for line in finding.lines())]
    broken = len(faults) + sum(finding.level == "BROKEN" for finding in findings)
    cautions = sum(finding.level == "caution" for finding in findings)
    lines += ["", _last_word(broken, cautions, nothing_yet)]
    return lines, not broken


def _findings(bench: Bench, there: Collection[str]) -> Iterator[Finding]:
    """Of what is there only: nothing hangs on a part that does not answer."""
    configuration = bench.configuration
    yield from contradictions.findings(configuration)
    yield from machine.findings(configuration)
    if "broker" in there:
        yield from broker.findings(configuration)
    if "database" in there:
        yield from clocks.findings(bench.database)
        with bench.database.read() as connection:
            yield from access.findings(connection, configuration)
            yield from queue.findings(connection, configuration)


def _last_word(broken: int, cautions: int, nothing_yet: bool) -> str:
    if broken:
        return f"{broken} to mend; each line above says what to do."
    if nothing_yet:
        return "Nothing is here yet, and nothing stands in the way: `coilbench-server up` makes it."
    return f"Nothing is broken; {cautions} to look at when there is time." if cautions else "All is well."


def _address(configuration: Configuration) -> Iterator[str]:
    try:
        hosts.require_address(configuration.listen)
    except hosts.NoAddress as error:
        yield f"listen: {error}"


def _shown(configuration: Configuration) -> str:
    bench = Bench.of(configuration)
    try:
        return masked_address(bench.database.url.render_as_string(hide_password=True))
    finally:
        bench.close()
