"""What holds for every chart: JSON, a drawing of all that was asked for, and words of users only as words."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable

import pytest

from coilbench_service.charts import drawing
from coilbench_service.charts.beside import beside_chart
from coilbench_service.charts.chart import Chart, lines
from coilbench_service.charts.decay import decay_chart
from coilbench_service.charts.envelopes import envelopes_chart
from coilbench_service.charts.take_bands import bands_chart
from coilbench_service.charts.waveform import waveform_chart
from coilbench_service.pictured import Pictured
from unit.charts.charted import words
from unit.charts.pictured_take import pictured

MADE: dict[str, Callable[[Pictured], Chart]] = {
    "waveform": lambda take: waveform_chart(take.label, take.document, take.traces),
    "envelopes": lambda take: envelopes_chart(take.label, take.document, take.traces),
    "decay": lambda take: decay_chart(take.label, take.strums, take.traces),
    "bands": lambda take: bands_chart(take.label, take.document),
    "takes": lambda take: beside_chart([take, take]),
}
ODD = (
    'Neck "A" <script>alert(1)</script> & [x] datum.s',
    "{{datum.s}} ${x} \\u003c",
    "Bell\x07, \x9f, \ufffe and half a pair \ud800",
    "Wide \N{GUITAR} 頸 عربي",
    "nospace" * 28,
)


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("count", [0, 1, 3, 60])
def test_chart_of_any_number_of_strums_is_json_of_bounded_size(name: str, count: int) -> None:
    chart = MADE[name](pictured(count))
    assert chart.name == name
    assert len(json.dumps(chart.document(), allow_nan=False)) < 600_000
    assert len(chart.alternative) < 6_000


@pytest.mark.parametrize("name", MADE)
def test_labels_are_words_and_nothing_else(name: str) -> None:
    for label in ODD:
        root = ET.fromstring(drawing.svg(MADE[name](pictured(1, label))))
        assert not [one for one in root.iter() if one.tag.endswith(("script", "foreignObject", "image"))]
    assert '"A" <script>alert(1)</script> & [x] datum.s' in " ".join(words(MADE[name](pictured(1, ODD[0]))).split())


@pytest.mark.parametrize("name", MADE)
def test_label_names_no_field_and_no_expression(name: str) -> None:
    plain, odd = (json.dumps(MADE[name](pictured(2, label)).document(), sort_keys=True) for label in ("LABEL", "datum"))
    assert plain.replace("LABEL", "datum") == odd  # it stands where words stand, and only there
    assert '"expr"' not in odd
    assert '"signal"' not in odd


@pytest.mark.parametrize("name", MADE)
def test_nothing_is_wider_than_a_page_and_the_same_chart_is_the_same_svg(name: str) -> None:
    chart = MADE[name](pictured(9, "long " * 40))
    drawn = drawing.svg(chart)
    width = float(ET.fromstring(drawn).get("width") or 0)
    assert 640 < width < 860
    assert drawing.svg(chart) == drawn
    assert " id=" not in drawn  # two charts in one page must not take each other's names


def test_long_titles_are_broken_and_end_in_an_ellipsis() -> None:
    assert lines("one two three", 8) == ["one two", "three"]
    broken = lines("word " * 100, 20)
    assert len(broken) == 3
    assert broken[-1].endswith("…")
    assert lines("", 20) == [""]
