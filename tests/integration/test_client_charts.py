"""Charts through the client and the command, against the real service."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench import BadDescription, Client, NotFound, NotSaved, UnknownFormat, Unprocessable
from coilbench.errors import BadRequest
from http_recordings import pcm16, strums
from http_service import Service
from served import Command, served_service

TWICE, ONCE = "harbour-neck", "mill: bridge/1"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    with served_service(tmp_path_factory.mktemp("charts")) as (service, url):
        for pickup, level_dbfs in ((TWICE, -20.0), (TWICE, -20.1), (ONCE, -14.0)):
            about = {"pickup": pickup, "label": f"{pickup} at {level_dbfs:g}", "session": "tuesday"}
            service.sent(pcm16(strums(level_dbfs=level_dbfs)), "a.wav", about)
        service.work()
        with Client(url, retries=0) as client:
            client.add_pickup(TWICE, inductance_h=2.5, dcr_ohm=6000, capacitance_pf=110)
        yield service, url


def takes_of(bench: Client, pickup: str) -> list[str]:
    return [take.id for take in bench.takes(pickup=pickup)]


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_chart_says_what_it_shows_and_is_saved_in_every_form(bench: Client, tmp_path: Path) -> None:
    found = bench.chart("intervals", baseline=TWICE, quantities="rms_dbfs", confidence=0.9)
    row = bench.compare(TWICE, quantities="rms_dbfs", confidence=0.9).result(ONCE, "rms_dbfs")
    assert row.difference is not None
    assert f"{ONCE} +{row.difference:.1f}" in found.alternative
    assert found.title.startswith(f"Differences from {TWICE}")
    assert flat(str(found)) == flat(f"{found.title} {found.alternative}")
    saved = {form: found.save(tmp_path / f"a{form}") for form in (".svg", ".png", ".json")}
    assert f"<title>{found.title}</title>" in saved[".svg"].read_text("utf-8")
    assert json.loads(saved[".json"].read_text("utf-8")) == found.document
    assert saved[".png"].stat().st_size > found.save(tmp_path / "small.png", scale=0.5).stat().st_size
    with pytest.raises(UnknownFormat, match=r"a chart is saved as \.svg, \.png, \.json"):
        found.save(tmp_path / "a.pdf")
    with pytest.raises(NotSaved):
        found.save(tmp_path / "none" / "a.svg")


def test_charts_take_sheets_takes_and_coils_by_their_names(bench: Client) -> None:
    one, other = takes_of(bench, TWICE)
    assert "dB/s" in bench.chart("decay", take=bench.take(one)).alternative
    assert bench.chart("takes", takes=[one, other]).name == "takes"
    assert ONCE in bench.chart("bands", pickups=[bench.pickup(TWICE), ONCE], session="tuesday").alternative
    coil = {"inductance_h": 2.5, "resistance_ohm": 6000.0, "capacitance_pf": 110.0}
    load = {"cable_pf": 470.0, "resistance_ohm": 1e6}
    model = bench.coil(coil, load)
    assert model.peak_hz is not None
    assert f"peak: {model.peak_hz / 1000:.3g} kHz" in bench.chart("response", coil=coil, load=load).alternative
    assert model.peak_hz != bench.coil(coil, {"cable_pf": 470.0}).peak_hz
    assert "dcr_ohm" in bench.chart("specification", fields="dcr_ohm", quantities=["rms_dbfs"]).alternative


def test_what_can_not_be_drawn_is_an_error_with_the_reason(bench: Client) -> None:
    with pytest.raises(NotFound):
        bench.chart("pie")
    with pytest.raises(Unprocessable, match="No take names the pickup 'nobody'"):
        bench.chart("bands", pickups="nobody")
    with pytest.raises((Unprocessable, BadRequest), match="beside"):
        bench.chart("bands", beside=TWICE)
    with pytest.raises(BadDescription, match="confidence"):
        bench.chart("bands", confidence=float("nan"))


def test_the_command_lists_the_charts_and_refuses_others(command: Command) -> None:
    status, said, _ = command("chart")
    assert status == 0
    for name in ("waveform", "envelopes", "decay", "takes", "bands", "intervals", "specification", "response"):
        assert f"\n  {name} " in said
    status, _, said = command("chart", "pie")
    assert status == 2
    assert "there is no chart 'pie'; there are waveform" in flat(said)


def test_the_command_says_the_figures_or_saves_the_picture(command: Command, bench: Client, tmp_path: Path) -> None:
    status, said, _ = command("chart", "intervals", TWICE, ONCE, "--quantities", "rms_dbfs")
    assert status == 0
    told = bench.chart("intervals", baseline=TWICE, others=ONCE, quantities="rms_dbfs")
    assert flat(said) == flat(str(told))
    picture = tmp_path / "a.svg"
    status, said, noted = command(
        "chart", "intervals", ONCE, "--baseline", TWICE, "--quantities", "rms_dbfs", "-o", picture
    )
    assert (status, said) == (0, "")
    assert noted == f"{picture}: {told.title}\n"
    assert f"<title>{told.title}</title>" in picture.read_text("utf-8")
    status, said, _ = command("chart", "response", TWICE, "--cable-pf", 470, "--json")
    assert json.loads(said)["description"] == bench.chart("response", pickup=TWICE, load={"cable_pf": 470}).alternative


def test_charts_of_takes_find_the_takes_of_a_pickup(command: Command, bench: Client) -> None:
    (single,) = takes_of(bench, ONCE)
    status, said, _ = command("chart", "decay", ONCE)
    assert (status, flat(said)) == (0, flat(str(bench.chart("decay", take=single))))
    status, _, said = command("chart", "decay", TWICE)
    assert status == 2
    for id in takes_of(bench, TWICE):
        assert f"{id}  {bench.take(id).label}" in said
    status, said, _ = command("chart", "takes", TWICE, ONCE, "--session", "tuesday")
    whole = bench.chart("takes", takes=[*takes_of(bench, TWICE), single])
    assert (status, flat(said)) == (0, flat(str(whole)))


def test_bands_are_those_of_a_take_where_one_take_is_named(command: Command, bench: Client) -> None:
    (single,) = takes_of(bench, ONCE)
    assert flat(command("chart", "bands", single)[1]) == flat(str(bench.chart("bands", take=single)))
    assert flat(command("chart", "bands", ONCE)[1]) == flat(str(bench.chart("bands", pickups=ONCE)))
    assert flat(command("chart", "bands")[1]) == flat(str(bench.chart("bands")))


@pytest.mark.parametrize(
    ("typed", "status", "named"),
    [
        (("decay",), 2, "wants a SUBJECT"),
        (("intervals",), 2, "wants a SUBJECT"),
        (("decay", "nobody"), 1, "nobody"),
        (("bands", "nobody"), 1, "nobody"),
        (("bands", TWICE, "--fields", "dcr_ohm"), 2, "not asked with --fields"),
        (("bands", TWICE, "--cable-pf", "470"), 2, "not asked with --cable-pf"),
        (("response", TWICE, ONCE, "third"), 2, "third is one too many"),
        (("bands", TWICE, "-o", "a.pdf"), 2, "a chart is saved as .svg, .png, .json"),
        (("bands", TWICE, "-o", "none/a.svg"), 2, "there is no folder"),
        (("response",), 2, "give coil"),
    ],
)
def test_what_can_not_be_drawn_is_said_with_its_exit_status(
    command: Command, typed: tuple[str, ...], status: int, named: str
) -> None:
    found, out, said = command("chart", *typed)
    assert (found, out) == (status, "")
    assert named in flat(said)
