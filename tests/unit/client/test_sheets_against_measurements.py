"""Groups and fits: calls, text, files and commands against the contract service."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import coilbench
from coilbench import Client
from coilbench.command import run
from coilbench.fit import Fit
from coilbench.groups import Groups
from unit.client.contract_answers import fits, groups
from unit.client.contract_service import ContractService

Said = tuple[int, str, str]
GROUPS, FITS = "/v1/comparisons/groups", "/v1/comparisons/specifications"


@pytest.fixture
def answers(service: ContractService) -> ContractService:
    """A service that knows the answers to be."""
    service.answers["POST", GROUPS] = groups()
    service.answers["POST", FITS] = fits()
    return service


@pytest.fixture
def command(answers: ContractService, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def typed(*arguments: object) -> Said:
        status = run(["--url", answers.url, *map(str, arguments)])
        out, err = capsys.readouterr()
        return status, out, err

    return typed


def sent(service: ContractService) -> dict[str, Any]:
    """The JSON of the last question."""
    body: dict[str, Any] = json.loads(service.requests("POST")[-1].body)
    return body


def test_groups_are_typed(bench: Client, answers: ContractService) -> None:
    found = bench.group("active", "rms_dbfs", among=["a", "b"], session="tuesday", confidence=0.9)
    assert sent(answers) == {
        "field": "active",
        "quantities": ["rms_dbfs"],
        "among": ["a", "b"],
        "session": "tuesday",
        "confidence": 0.9,
    }
    passive, active = found.groups
    assert (passive.name, passive.members) == ("passive", ("harbour-neck", "mill-bridge"))
    assert (active.value, active.means["rms_dbfs"].n) == (True, 1)
    lower, withheld = found
    assert (lower.difference, lower.word, lower.p_holm) == (-5.0, "milder", 0.002)
    assert (withheld.difference, withheld.withheld) == (None, "A group of one pickup gives no interval.")
    answers.answers["POST", GROUPS] = {"field": "active"}
    with pytest.raises(coilbench.UnreadableAnswer, match="not a set of groups"):
        bench.group("active")


def test_fits_are_typed(bench: Client, answers: ContractService) -> None:
    found = bench.fit()
    assert sent(answers) == {"confidence": 0.95}
    first, _, few = found
    assert (first.field, first.slope, first.unit, first.verdict) == ("dcr_ohm", 4.25, "dB per doubling", "predicts")
    assert [point.pickup for point in first.points] == ["a", "b"]
    assert (few.n, few.slope, few.prediction_width, few.verdict) == (2, None, None, "too-few")
    bench.fit("dcr_ohm", ["treble_db"])
    assert sent(answers) == {"fields": ["dcr_ohm"], "quantities": ["treble_db"], "confidence": 0.95}
    answers.answers["POST", FITS] = {}
    with pytest.raises(coilbench.UnreadableAnswer, match="not a set of fits"):
        bench.fit()


@pytest.mark.parametrize("width", [80, 100, 110])
def test_the_text_fits_the_width_and_says_all(width: int) -> None:
    text = str(Groups.from_document(groups()).page(width))
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    for said in (
        "passive 2 pickups: harbour-neck, mill-bridge",
        "RMS level -27.5 -19.1 dBFS",
        "Crest factor 11.0 · dB",
        "RMS level active minus passive -5.0 dB -8.0 to -2.0 milder",
        "withheld A group of one pickup gives no interval.",
        "ferry-neck: It has no data sheet.",
        "Three pickups are few.",
    ):
        assert said in flat, said
    text = str(Fit.from_document(fits()).page(width))
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    for said in (
        "RMS level 6 +4.25 dB per doubling +2.00 to +6.50 +0.91 predicts",
        "dcr_ohm and crest_db: not-shown.",
        "RMS level 2 too few",
        "ferry-neck: Its sheet has no dcr_ohm.",
    ):
        assert said in flat, said


def test_both_are_saved(tmp_path: Path) -> None:
    found = Groups.from_document(groups())
    book = openpyxl.load_workbook(found.save(tmp_path / "g.xlsx"))
    assert book.sheetnames == ["differences", "groups", "left out", "cautions", "columns"]
    with found.save(tmp_path / "g.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["baseline"], row["other"]) for row in rows] == [("passive", "active")] * 2
    assert [row["word"] for row in rows] == ["milder", ""]
    fit = Fit.from_document(fits())
    book = openpyxl.load_workbook(fit.save(tmp_path / "f.xlsx"))
    assert book.sheetnames == ["fits", "points", "left out", "cautions", "columns"]
    assert [cell.value for cell in book["points"]["D"]] == ["x", *[6100, 13900] * 3]
    assert json.loads(fit.save(tmp_path / "f.json").read_text("utf-8")) == fits()


def test_the_commands_show_save_and_print_for_programs(
    command: Callable[..., Said], answers: ContractService, tmp_path: Path
) -> None:
    status, out, err = command("group", "active", "--among", "a,b", "--session", "tuesday")
    assert (status, err) == (0, "")
    assert out.startswith("Pickups by active; each counts once")
    assert sent(answers) == {"field": "active", "among": ["a", "b"], "session": "tuesday", "confidence": 0.95}
    assert json.loads(command("group", "active", "--json")[1]) == groups()
    status, out, _ = command("fit", "dcr_ohm", "turns", "--quantities", "rms_dbfs")
    assert status == 0
    assert sent(answers) == {"fields": ["dcr_ohm", "turns"], "quantities": ["rms_dbfs"], "confidence": 0.95}
    status, out, err = command("fit", "-o", tmp_path / "f.csv")
    assert (status, out, err) == (0, "", f"{tmp_path / 'f.csv'}: 3 rows\n")
    assert command("group")[0] == 2
