"""The process that draws: shared by threads, replaced when it dies, stopped when it takes too long."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from coilbench_service.charts.drawer import Drawer, DrawingBusy, DrawingFailed

DOT = {"data": {"values": [{"a": 1}]}, "mark": "point", "encoding": {"x": {"field": "a", "type": "quantitative"}}}


@pytest.fixture(scope="module")
def drawer() -> Iterator[Drawer]:
    made = Drawer()
    yield made
    made.close()


def sleeping(seconds: float) -> tuple[str, ...]:
    return (sys.executable, "-c", f"import time; time.sleep({seconds})")


def test_many_threads_get_each_their_own_chart(drawer: Drawer) -> None:
    charts = [{**DOT, "title": f"Chart {number}"} for number in range(16)]
    with ThreadPoolExecutor(8) as threads:
        drawn = list(threads.map(lambda chart: drawer.draw("svg", chart).decode(), charts))
    for number, one in enumerate(drawn):
        assert f">Chart {number}<" in one
    assert "vl_convert" not in sys.modules


def test_forms_are_what_they_are_called(drawer: Drawer) -> None:
    assert drawer.draw("svg", DOT).startswith(b"<svg")
    assert drawer.draw("png", DOT, 1.0).startswith(b"\x89PNG")
    assert drawer.draw("pdf", DOT).startswith(b"%PDF")


def test_document_that_is_no_chart_is_refused_and_the_next_one_drawn(drawer: Drawer) -> None:
    with pytest.raises(DrawingFailed, match="conversion failed"):
        drawer.draw("svg", {"data": {"values": []}, "mark": "no-such-mark"})
    assert drawer.draw("svg", DOT).startswith(b"<svg")


def test_nothing_is_fetched(drawer: Drawer, tmp_path: Path) -> None:
    """A chart never names an address; were one to, it would get nothing from there."""
    told = tmp_path / "told.json"
    told.write_text('[{"a": "a secret"}]', "utf-8")
    for address in (told.as_uri(), str(told), "http://127.0.0.1:9/told.json"):
        text = {"data": {"url": address}, "mark": "text", "encoding": {"text": {"field": "a"}}}
        try:
            drawn = drawer.draw("svg", text).decode()
        except DrawingFailed as error:
            drawn = str(error)
        assert "a secret" not in drawn
    inline = {"data": {"values": [{"a": "a secret"}]}, "mark": "text", "encoding": {"text": {"field": "a"}}}
    assert "a secret" in drawer.draw("svg", inline).decode()


def test_process_that_died_is_replaced(drawer: Drawer) -> None:
    drawer.draw("svg", DOT)
    child = drawer._child
    assert child is not None
    child.kill()  # and not waited for: the next drawing meets a broken pipe, or sees that it is gone
    assert drawer.draw("svg", DOT).startswith(b"<svg")
    assert drawer._child is not child


def test_process_that_dies_again_and_again_is_an_error() -> None:
    drawer = Drawer((sys.executable, "-c", "pass"))
    with pytest.raises(DrawingFailed, match="died"):
        drawer.draw("svg", DOT)
    drawer.close()


def test_drawing_that_takes_too_long_is_stopped() -> None:
    drawer = Drawer(sleeping(60), limit_s=0.2)
    with pytest.raises(DrawingFailed, match=r"longer than 0\.2 s"):
        drawer.draw("svg", DOT)
    assert drawer._child is None


@pytest.mark.parametrize(("most", "said"), [(2, "for 0.05 s"), (1, "1 others")])
def test_waiting_for_others_has_an_end(most: int, said: str) -> None:
    drawer = Drawer(sleeping(60), limit_s=1.0, wait_s=0.05, most=most)
    with ThreadPoolExecutor(1) as other:
        first = other.submit(drawer.draw, "svg", DOT)
        while not drawer._turn.locked():
            pass
        with pytest.raises(DrawingBusy, match=said):
            drawer.draw("svg", DOT)
        with pytest.raises(DrawingFailed, match="longer"):
            first.result()
