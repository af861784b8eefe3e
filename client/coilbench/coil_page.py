"""The electrical model's answer as text: numbers, a curve in plain characters, what was measured, the limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, floor, log10

from coilbench.coil import Beside, Bobbin, CoilModel, Combination, OtherTurns, ResponsePoint, Winding
from coilbench.figures import ends_of, figure
from coilbench.page import INDENT, Page

LEAST_ROWS, MOST_ROWS = 8, 14
"""Lines of the curve, each a whole number of decibels."""
BELOW_DC_DB = 24.0
"""The curve is cut off so far below the level at 0 Hz."""
TICKS_HZ = ((20.0, "20"), (50.0, "50"), (100.0, "100"), (200.0, "200"), (500.0, "500"), (1e3, "1k"), (2e3, "2k"),
            (5e3, "5k"), (10e3, "10k"), (20e3, "20k"))  # fmt: skip
SCALE = 8
"""Characters of the scale left of the curve."""
WIDEST = 100


def page_of(found: CoilModel, width: int) -> Page:
    """The answer as text.

    Parameters
    ----------
    found : as the service gave it
    width : characters of a line
    """
    page = Page(width)
    if found.response:
        page.heading("Response")
        page.columns(list(_numbers(found)))
        page.line("")
        page.sentence("Re the voltage induced in one coil:")
        for line in curve(found.response, page.width, found.dc_db):
            page.line(line)
    if found.combination is not None:
        _combination(page, found.combination)
    if found.wire is not None:
        _winding(page, found.wire, found.bobbin)
    if found.other_turns is not None:
        _turns(page, found.other_turns)
    if found.beside is not None:
        _beside(page, found.beside)
    for heading, texts in (
        ("Taken because nobody said it", found.assumes),
        ("What the model leaves out", found.limits),
    ):
        if texts:
            page.heading(heading)
        for text in texts:
            page.sentence(text, "- ", hanging=INDENT)
    return page


def curve(points: Sequence[ResponsePoint], width: int, dc_db: float | None) -> Iterator[str]:
    """A response in plain characters over a logarithmic scale of frequency.

    Parameters
    ----------
    points : rising in frequency
    width : characters of a line
    dc_db : level at 0 Hz; the curve is cut off far below it
    """
    known = [(log10(point.hz), point.db) for point in points if point.db is not None]
    if not known:
        yield INDENT + "nothing comes out"
        return
    wide = min(width, WIDEST) - SCALE
    first, last = known[0][0], known[-1][0]
    span = (last - first) or 1.0
    levels = [_between(known, first + span * place / (wide - 1)) for place in range(wide)]
    top = max(levels)
    lowest = max(min(levels), (top if dc_db is None else dc_db) - BELOW_DC_DB)
    step = max(1, ceil((top - lowest) / MOST_ROWS))
    highest = step * ceil(top / step - 0.5)
    for row in range(max(LEAST_ROWS, ceil((highest - lowest) / step + 0.5))):
        level = highest - row * step
        marks = "".join("*" if _passes(levels, at, level, step / 2) else " " for at in range(wide))
        yield f"{figure(level, 0, 'dB', sign=True).rjust(SCALE - 2)} |{marks}".rstrip()
    yield " " * (SCALE - 1) + "+" + "-" * wide
    ruler = [" "] * (wide + SCALE)
    free = 0
    for hz, name in TICKS_HZ:
        start = SCALE + floor((log10(hz) - first) / span * (wide - 1)) - len(name) + 1
        if first - 1e-9 <= log10(hz) <= last + 1e-9 and start >= free and start + len(name) <= len(ruler):
            ruler[start : start + len(name)] = name
            free = start + len(name) + 1
    yield "".join(ruler).rstrip() + " Hz" if len("".join(ruler).rstrip()) + 3 <= width else "".join(ruler).rstrip()


def _passes(levels: Sequence[float], at: int, level: float, near: float) -> bool:
    """Whether a curve is at a level in a column, or passes it on the way from the column before."""
    here = levels[at]
    before = levels[at - 1] if at else here
    return abs(here - level) <= near or min(before, here) + near < level < max(before, here) - near


def _between(known: Sequence[tuple[float, float]], place: float) -> float:
    """Level at a place on the scale, between its neighbours."""
    before = known[0]
    for here in known:
        if here[0] >= place:
            share = (place - before[0]) / (here[0] - before[0]) if here[0] > before[0] else 0.0
            return before[1] + share * (here[1] - before[1])
        before = here
    return known[-1][1]


def _list(page: Page, heading: str, texts: Sequence[str]) -> None:
    if texts:
        page.heading(heading)
    for text in texts:
        page.sentence(text, "- ", hanging=INDENT)


def _numbers(found: CoilModel) -> Iterator[list[str]]:
    if found.coil is not None:
        coil = found.coil
        yield [
            "coil",
            f"{coil.inductance_h:.4g} H, {coil.resistance_ohm:,.0f} ohm, {coil.capacitance_pf:.4g} pF of its own",
        ]
    if found.peak_hz is not None:
        height = (
            found.reasons.get("peak_db", "") if found.peak_db is None else figure(found.peak_db, 1, "dB", sign=True)
        )
        yield ["peak", f"{found.peak_hz:.0f} Hz, {height}"]
    else:
        yield ["peak", f"none: {found.reasons.get('peak_hz', 'the response only falls')}"]
    if found.dc_db is not None:
        yield ["at 0 Hz", figure(found.dc_db, 2, "dB", sign=True)]
    else:
        yield ["at 0 Hz", found.reasons.get("dc_db", "nothing")]
    if found.minus3db_hz is not None:
        yield ["3 dB below that", f"{found.minus3db_hz:.0f} Hz"]
    if found.natural_hz is not None:
        q = found.reasons.get("q", "none") if found.q is None else f"{found.q:.2f}"
        yield ["natural frequency", f"{found.natural_hz:.0f} Hz, Q {q}"]
    else:
        yield ["natural frequency", f"none: {found.reasons.get('natural_hz', 'nothing rings')}"]


def _combination(page: Page, two: Combination) -> None:
    page.heading(f"Two coils, {two.name.replace('-', ' ')}")
    rows = [["DC resistance", f"{two.dcr_ohm:,.0f} ohm"]]
    for name, level in (("strings at 0 Hz", two.string_db), ("hum at 0 Hz", two.hum_db)):
        rows.append([name, "cancels" if level is None else figure(level, 1, "dB re one coil", sign=True)])
    page.columns(rows)
    page.sentence(two.sentence)


def _winding(page: Page, wire: Winding, bobbin: Bobbin | None) -> None:
    page.heading("Winding")
    rows = [
        ["wire", f"{wire.diameter_mm:.4f} mm bare, {wire.length_m:,.0f} m"],
        ["turns", f"{wire.turns:,.0f} of {wire.mean_turn_mm:.1f} mm"],
    ]
    resistance = f"{wire.resistance_20c_ohm:,.0f} ohm at 20 C"
    if wire.temperature_c != 20.0:
        resistance = f"{wire.resistance_ohm:,.0f} ohm at {wire.temperature_c:g} C, {resistance}"
    rows.append(["DC resistance", resistance])
    if wire.low_ohm is not None and wire.high_ohm is not None:
        at = "" if wire.temperature_c == 20.0 else f" at {wire.temperature_c:g} C"
        rows.append(["tolerance of wire", f"{wire.low_ohm:,.0f} to {wire.high_ohm:,.0f} ohm{at} ({wire.tolerance})"])
    else:
        rows.append(["tolerance of wire", "not known for this wire"])
    if bobbin is not None:
        rows += [
            ["on the bobbin", f"{bobbin.depth_mm:.2f} mm deep, about {bobbin.layers} layers"],
            ["it holds", f"{bobbin.fit_turns:,} turns: " + ("they fit" if bobbin.fits else "they DO NOT FIT")],
            ["space factor", f"{bobbin.space_factor:.2f} of the winding is copper"],
        ]
    page.columns(rows)


def _turns(page: Page, other: OtherTurns) -> None:
    page.heading(f"{other.times:g} times the turns")
    page.sentence(
        f"The coil then: {other.inductance_h:.4g} H, {other.resistance_ohm:,.0f} ohm, {other.capacitance_pf:.4g} pF."
    )
    page.sentence(other.sentence)
    rows = [["Hz", "change of output"]]
    rows += [
        [f"{point.hz:.0f}", "nothing comes out" if point.db is None else figure(point.db, 1, "dB", sign=True)]
        for point in other.change
    ]
    page.columns(rows, right=(0,), head=True)


def _beside(page: Page, beside: Beside) -> None:
    page.heading("Treble over middle, model beside measurement")
    rows = [["", "model", "measured", "interval", "the rest"]]
    for side in beside.sides:
        rows.append(
            [side.pickup, _db(side.model_db), _db(side.measured_db), ends_of(side.low, side.high, 1), _db(side.rest_db)]
        )
    if beside.difference is not None:
        one = beside.difference
        rows.append(
            ["difference", _db(one.model_db), _db(one.measured_db), ends_of(one.low, one.high, 1), _db(one.rest_db)]
        )
    page.columns(rows, right=(1, 2), head=True)
    for text in beside.sentences:
        page.sentence(text, "- ", hanging=INDENT)


def _db(value: float | None) -> str:
    return "·" if value is None else figure(value, 1, "dB", sign=True)
