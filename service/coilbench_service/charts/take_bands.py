"""The tone of a take: third-octave levels of each strum and their mean, and the balance of bass, middle and treble."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.axes import level_axis, level_domain
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.figures import mean_figure
from coilbench_service.charts.theme import FAINT, INK, PAPER, SERIES, SHADE, SHADE_DARK, WIDTH
from coilbench_service.writing import NOTHING, figure
from coilbench_worker.measure.bands import BALANCE, OCTAVES, THIRDS

NAME = "bands"
HEIGHT, LANE_PX = 260, 34
KEY = "third_octave_db"
DEPTH_DB = 70.0
"""Of the axis, at most."""
NOTE = (
    "Broad, with dots: mean of the strums; thin: each strum. Third octaves (IEC 61260-1) in the level window, re the "
    "energy of all octaves."
)
_MIDS = {band.nominal: band.mid_hz for band in THIRDS}
_HERTZ = "datum.value >= 1000 ? format(datum.value / 1000, '.4~f') + 'k' : format(datum.value, '.4~f')"
_TINTS = {"bass": SHADE_DARK, "middle": SHADE, "treble": "#e4e4e4"}


def bands_chart(label: str, document: Mapping[str, Any]) -> Chart:
    """One panel of third octaves under a lane of bass, middle and treble.

    Parameters
    ----------
    label : of the take
    document : its measurement
    """
    strums, summary = document["strums"], document["summary"]
    each = [
        {"hz": _MIDS[part], "db": level, "strum": strum["number"]}
        for strum in strums
        for part, level in strum[KEY].items()
    ]
    means = [{"hz": _MIDS[part], "db": entry["mean"]} for part, entry in (summary.get(KEY) or {}).items()]
    panel = {
        "width": WIDTH,
        "height": HEIGHT,
        "layer": [*_ranges(), *_lines(each, means)],
    }
    missing = _missing(summary.get(KEY) or {}, strums)
    return Chart(
        NAME,
        f"The tone of {label}",
        " ".join(_words(document, missing)),
        {"vconcat": [_balance(summary), panel], "spacing": 6},
        note=f"{NOTE} {missing}".strip(),
    )


def _hertz(field: str, title: str | None) -> dict[str, Any]:
    """The x channel: logarithmic, named at the octaves."""
    octaves = [*(float(band.nominal) for band in OCTAVES), 16000.0]
    return {
        "field": field,
        "type": "quantitative",
        "title": title,
        "axis": None if title is None else {"values": octaves, "labelExpr": _HERTZ, "grid": True},
        "scale": {"type": "log", "domain": [THIRDS[0].low_hz, THIRDS[-1].high_hz], "nice": False},
    }


def _lines(each: Sequence[Mapping[str, Any]], means: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    domain = level_domain((row["db"] for row in (*each, *means)), DEPTH_DB)
    x, y = _hertz("hz", "Mid-band frequency (Hz)"), level_axis(domain, "Level (dB re total)")
    place = {"x": x, "y": y}
    mean = {"data": {"values": list(means)}, "encoding": place}
    return [
        {
            "data": {"values": list(each)},
            "mark": {"type": "line", "strokeWidth": 0.8, "color": FAINT},
            "encoding": {**place, "detail": {"field": "strum", "type": "nominal"}},
        },
        {**mean, "mark": {"type": "line", "strokeWidth": 2.8, "color": SERIES[0]}},
        {
            **mean,
            "mark": {
                "type": "point",
                "filled": True,
                "size": 45,
                "opacity": 1,
                "color": SERIES[0],
                "stroke": PAPER,
                "strokeWidth": 0.8,
            },
        },
    ]


def _range_rows() -> list[dict[str, Any]]:
    return [
        {"part": part, "hz": OCTAVES[first].low_hz, "end": OCTAVES[last - 1].high_hz}
        for part, (first, last) in BALANCE.items()
    ]


def _ranges() -> list[dict[str, Any]]:
    return [
        {
            "data": {"values": [row]},
            "mark": {"type": "rect", "color": _TINTS[row["part"]], "opacity": 1, "fillOpacity": 0.6},
            "encoding": {"x": _hertz("hz", "Mid-band frequency (Hz)"), "x2": {"field": "end"}},
        }
        for row in _range_rows()
    ]


def _balance(summary: Mapping[str, Any]) -> dict[str, Any]:
    rows = [
        {
            **row,
            "middle": (row["hz"] * row["end"]) ** 0.5,
            "name": row["part"],
            "said": mean_figure(f"{row['part']}_db", summary.get(f"{row['part']}_db")),
        }
        for row in _range_rows()
    ]
    bars = [
        {
            "data": {"values": [row]},
            "mark": {"type": "rect", "color": _TINTS[row["part"]], "stroke": INK, "strokeWidth": 0.7},
            "encoding": {"x": _hertz("hz", None), "x2": {"field": "end"}},
        }
        for row in rows
    ]
    texts = [
        {
            "data": {"values": rows},
            "mark": {"type": "text", "baseline": "middle", "fontWeight": weight},
            "encoding": {
                "x": _hertz("middle", None),
                "y": {"value": place},
                "text": {"field": field, "type": "nominal"},
            },
        }
        for field, place, weight in (("name", 10, "bold"), ("said", 24, "normal"))
    ]
    return {"width": WIDTH, "height": LANE_PX, "view": {"stroke": None}, "layer": [*bars, *texts]}


def _missing(thirds: Mapping[str, Any], strums: Sequence[Mapping[str, Any]]) -> str:
    """A sentence on the bands that no strum has."""
    if not strums:
        return ""
    parts = [part for part in _MIDS if (thirds.get(part) or {}).get("mean") is None]
    if not parts:
        return ""
    reasons = dict.fromkeys(strum["reasons"].get(f"{KEY}_{part}") for strum in strums for part in parts)
    why = "; ".join(reason for reason in reasons if reason)
    return f"Nothing at {', '.join(parts)} Hz{f': {why}' if why else ''}."


def _words(document: Mapping[str, Any], missing: str) -> list[str]:
    strums, summary = document["strums"], document["summary"]
    if not strums:
        return ["There are no strums."]
    count = f"{len(strums)} strum{'' if len(strums) == 1 else 's'}"
    balance = ", ".join(f"{part} {mean_figure(f'{part}_db', summary.get(f'{part}_db'))}" for part in BALANCE)
    said = [
        f"Third-octave levels of {count} and their mean, in dB re the energy of all octaves.",
        f"Mean ± standard deviation: {balance}; centroid {mean_figure('centroid_hz', summary.get('centroid_hz'))}.",
    ]
    thirds = summary.get(KEY) or {}
    known = [(part, thirds[part]["mean"]) for part in _MIDS if (thirds.get(part) or {}).get("mean") is not None]
    if known:
        levels = ", ".join(f"{part} Hz {figure(level, 1)}" for part, level in known)
        said.append(f"Mean levels, dB: {levels}.")
    if missing:
        said.append(missing)
    if NOTHING in balance:
        reasons = {strum["reasons"].get(f"{part}_db") for strum in strums for part in BALANCE} - {None}
        said.append(f"What is {NOTHING} can't be measured: {'; '.join(sorted(str(reason) for reason in reasons))}.")
    return said
