"""The same from a script: `import coilbench` against the real service."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import coilbench
from coilbench.table import cell_text
from journeys.conftest import HOT

pytestmark = pytest.mark.usefixtures("service_url")


@pytest.fixture
def bench(service_url: str) -> Iterator[coilbench.Client]:
    with coilbench.Client(service_url) as client:
        yield client


def test_a_script_of_five_lines(bench: coilbench.Client, recordings: Path) -> None:
    takes = bench.send(f"{recordings}/*", manifest=recordings / "takes.csv", about={"player": "Ines"})
    bench.wait(takes, timeout=90)
    table = bench.table_of(takes, per="strum")
    frame = table.to_pandas()
    assert frame.groupby("pickup")["rms_dbfs"].mean()["mill-bridge"] == pytest.approx(sum(HOT.levels_dbfs) / 4, abs=0.3)


def test_a_take_from_first_to_last(bench: coilbench.Client, recordings: Path) -> None:
    (sent,) = bench.send(recordings / "mill.flac", about={"label": "lives and dies", "expected_strums": 4})
    (take,) = bench.wait([sent], timeout=90)
    assert take.state == "measured"
    first = bench.measurement(take.id)
    assert len(first.strums) == 4
    assert first.strums[0].bands["octave_db"]
    assert first.summary["rms_dbfs"]["n"] == 4
    described = bench.describe(take.id, notes="loud", label=None)
    assert described.about == {"expected_strums": 4, "notes": "loud"}
    assert bench.measurement(take.id).made == first.made
    again = bench.measure_again(take.id, {"level_window_s": [0.0, 0.25]})
    bench.wait(again, timeout=90)
    second = bench.measurement(take.id)
    assert second.settings["level_window_s"] == [0.0, 0.25]
    assert second.summary["rms_dbfs"]["mean"] > first.summary["rms_dbfs"]["mean"]
    bench.delete(take.id)
    with pytest.raises(coilbench.NotFound, match=take.id) as gone:
        bench.take(take.id)
    assert gone.value.problem.slug == "take-not-found"
    (resent,) = bench.send(recordings / "mill.flac", about={"label": "lives and dies", "expected_strums": 4})
    assert resent.outcome == "sent"
    assert resent.take is not None
    assert resent.take.id != take.id


def test_takes_can_be_found_by_what_is_known_of_them(bench: coilbench.Client, recordings: Path) -> None:
    sent = bench.send([recordings / "mill.flac"], about={"session": str(recordings), "pickup": "mill-bridge"})
    bench.wait(sent, timeout=90)
    (found,) = bench.takes(session=str(recordings), state=["measured", "rejected"])
    assert found.about["pickup"] == "mill-bridge"
    assert found.updated >= found.created
    assert list(bench.takes(session=str(recordings), state="rejected")) == []
    assert [take.id for take in bench.takes(id=[found.id])] == [found.id]


def test_the_catalogues_explain_every_column_and_check(bench: coilbench.Client, recordings: Path) -> None:
    takes = bench.send(recordings, manifest=recordings / "takes.csv")
    bench.wait(takes, timeout=90)
    table = bench.table_of(takes)
    keys = {quantity.key for quantity in bench.quantities()}
    assert {"rms_dbfs", "crest_db", "decay_db_per_s", "noise_dbfs"} <= keys
    with_units = [column for column in table.columns if column.unit]
    assert all(any(column.key.startswith(key) for key in keys) for column in with_units)
    codes = {kind.code for kind in bench.checks()}
    found = {code.strip() for row in table for code in cell_text(row["checks"]).split(",") if code.strip()}
    assert found <= codes
    assert all(kind.advice for kind in bench.checks())


def test_refusals_carry_the_problem(bench: coilbench.Client, recordings: Path) -> None:
    text = recordings / "text.wav"
    text.write_text("no sound")
    with pytest.raises(coilbench.NotAllSent) as caught:
        bench.send(text)
    error = caught.value.failed[0].error
    assert isinstance(error, coilbench.NotARecording)
    assert error.problem.slug == "not-a-recording"
    assert error.problem.advice
    with pytest.raises(coilbench.Unprocessable, match="about"):
        bench.describe(bench.send(recordings / "mill.flac")[0].take.id, battery_v="nine")  # type: ignore[union-attr]
    with pytest.raises(coilbench.Unprocessable, match="colour"):
        bench.table(quantities=["colour"])
