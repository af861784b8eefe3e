"""`coilbench-server doctor`: every setting with its source, every connection tried, in plain words."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench_service import hosts, readiness
from coilbench_service.bench import Bench
from coilbench_worker.configuration import Configuration, sources, strangers


def report(configuration: Configuration) -> tuple[list[str], bool]:
    """The lines to print, and whether all is well. An absent worker is well: doctor may run before anything does."""
    lines = ["Settings"]
    for row in sources(configuration):
        lines.append(f"  {row.variable} = {row.value or '(not set)'}    [{row.source}]")
        lines.append(f"      {row.description}")
    lines += [f"  {name} is set but is no setting of coilbench; correct its name or unset it" for name in strangers()]
    lines += ["", "Stores", f"  database    {_shown(configuration)}", f"  recordings  {configuration.blobs}"]
    faults = list(_address(configuration))
    lines += ["", "Connections"]
    bench = Bench.of(configuration)
    try:
        for part in readiness.parts(bench):
            if part.fault is None:
                lines.append(f"  ok       {part.name}: {part.finding}")
            elif part.name == "worker":
                lines.append(f"  note     {part.name}: {part.fault}")
            else:
                faults.append(f"{part.name}: {part.fault}")
    finally:
        bench.close()
    lines += [f"  BROKEN   {fault}" for fault in faults]
    lines += ["", "All is well." if not faults else f"{len(faults)} to mend; each line above says what to do."]
    return lines, not faults


def _address(configuration: Configuration) -> Iterator[str]:
    try:
        hosts.require_guarded(configuration.listen)
    except hosts.Unguarded as error:
        yield f"listen: {error}"


def _shown(configuration: Configuration) -> str:
    bench = Bench.of(configuration)
    try:
        return bench.database.url.render_as_string(hide_password=True)
    finally:
        bench.close()
