"""What the words and figures mean: quantities with their sources, the statistics, and what none of it can say."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench_service.report.blocks import Block, Bullets, Head, Paragraph, Section, Table
from coilbench_service.report.contents import Contents
from coilbench_worker.compare.columns import column

LIMITS = (
    (
        "One guitar, one hand, one setup: in another guitar, at another distance from the strings, through another "
        "cable or input or under other hands a pickup sounds different. What was found holds for what was recorded."
    ),
    (
        "Intervals hold what changed from take to take (with one take: from strum to strum) and nothing else. Where "
        "nothing was unplugged or set up anew between takes, where one pickup was played harder than the next or where "
        "strings aged meanwhile, that is in the differences and not in their intervals."
    ),
    "A difference that is shown is not yet one that is heard: that depends on its size, the music and the amplifier.",
    "A difference that is not shown may be there all the same, smaller than these takes can show.",
    "Nothing here says why: magnet, wire, place and base plate change together from pickup to pickup.",
    "The signal was recorded straight from the guitar. Amplifier and loudspeaker add their own tone.",
)
SOURCES = (
    "Sources: B. L. Welch, Biometrika 34 (1947) 28; F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110; ISO 5725-2 "
    "(through secondary texts); S. Holm, Scand. J. Statist. 6 (1979) 65. Power of four in five: J. Cohen, Statistical "
    "Power Analysis (1988)."
)
CARE = (
    "Loud playback damages hearing. Start quietly, also when you compare excerpts at matched level.",
    (
        "Exchanging a pickup means soldering: irons burn, solder and flux give off fumes. Ventilate, wash your hands "
        "after leaded solder, and unplug when you leave."
    ),
    (
        "A mains-powered amplifier holds voltages that kill, also for some time after it was unplugged. Leave its "
        "inside to people qualified for it."
    ),
    "Switch phantom power off at an input that a guitar is plugged into, and turn monitors down before plugging.",
    "This is the usual caution and no substitute for local codes, the maker's instructions or licensed practice.",
)


def limits() -> Section:
    """What the report can't say."""
    return Section("limits", "What this can't say", (Bullets(LIMITS),))


def definitions(contents: Contents) -> Section:
    """Every quantity used, with its source; how it was averaged and compared."""
    return Section("definitions", "Definitions and method", tuple(_blocks(contents)))


def care() -> Section:
    """The usual cautions."""
    return Section("care", "Care", (Bullets(CARE),))


def _blocks(contents: Contents) -> Iterator[Block]:
    used = list(dict.fromkeys(column(key).quantity for key in contents.quantities))
    rows = tuple((one.name, one.unit, one.definition, one.source) for one in used)
    heads = (
        Head("Quantity", width=0.8),
        Head("Unit", width=0.6),
        Head("What it is", width=2.6),
        Head("Source", width=1.4),
    )
    yield Table("Quantities of this report", heads, rows)
    yield Paragraph(
        "Means of a pickup are unweighted means of its takes. Their 95 % intervals are Student's t over take means, "
        "since the strums of one take share its setup; with a single take, over its strums."
    )
    if contents.comparison is not None:
        yield Paragraph(f"Differences and verdicts. {contents.comparison['method']} {SOURCES}")
        yield Paragraph(
            f"An interval of a difference is that of this difference by itself, at {100 * contents.confidence:g} %. "
            "Verdicts hold for all differences of the report together, so a difference whose own interval leaves out "
            "zero may still be called not shown."
        )
