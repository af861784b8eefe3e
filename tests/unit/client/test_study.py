"""Studies of the tester's hand: call, text, files and command against the contract service."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import coilbench
from coilbench import Client
from coilbench.command import run
from coilbench.study import Study
from unit.client.contract_answers import study
from unit.client.contract_service import ContractService

Said = tuple[int, str, str]
PATH = "/v1/comparisons/study"


@pytest.fixture
def answers(service: ContractService) -> ContractService:
    """A service that knows the answer to be."""
    service.answers["POST", PATH] = study()
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


def test_a_study_is_typed(bench: Client, answers: ContractService) -> None:
    found = bench.study(["mill-bridge"], "rms_dbfs", {"rms_dbfs": 1.0}, session="tuesday")
    assert sent(answers) == {
        "subjects": ["mill-bridge"],
        "quantities": ["rms_dbfs"],
        "difference": {"rms_dbfs": 1.0},
        "session": "tuesday",
    }
    level, crest, treble = found
    assert level.repeatability is not None
    assert (level.repeatability.sd, level.repeatability.low, level.repeatability_limit) == (0.4, 0.8 * 0.4, 2.77 * 0.4)
    assert [(one.strums, one.takes) for one in crest.plan] == [(4, 12), (8, None)]
    assert (treble.between_takes, treble.reproducibility_limit, treble.withheld) == (None, None, "Each has one take.")
    bench.study()
    assert sent(answers) == {}
    answers.answers["POST", PATH] = {"results": []}
    with pytest.raises(coilbench.UnreadableAnswer, match="not a study"):
        bench.study()
    with pytest.raises(coilbench.BadDescription, match="rms_dbfs must be a number"):
        bench.study(difference={"rms_dbfs": float("inf")})


@pytest.mark.parametrize("width", [80, 100, 110])
def test_the_text_fits_the_width_and_says_all(width: int) -> None:
    text = str(Study.from_document(study()).page(width))
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    for said in (
        "Over harbour-neck (2 takes, 8 strums); mill-bridge (2 takes, 8 strums).",
        "RMS level 0.40 (0.32 to 0.80) 0.80 (0.64 to 1.60) 1.00 (0.80 to 2.00) 2.77 dB"
        if width > 80
        else "RMS level 0.40 0.80 (0.64 to 1.60) 1.00 (0.80 to 2.00) 2.77 dB",
        "Treble: Each has one take.",
        "difference 4 strums 8 strums RMS level 1.00 dB 5 4 Crest factor 1.00 dB 12 ·",
        "mill-bridge (take t9): It is clipped.",
        "mill-bridge scatters out of line.",
        "ISO 5725-2.",
    ):
        assert said in flat, said


def test_a_study_is_saved(tmp_path: Path) -> None:
    found = Study.from_document(study())
    book = openpyxl.load_workbook(found.save(tmp_path / "s.xlsx"))
    assert book.sheetnames == ["scatter", "plan", "left out", "cautions", "columns"]
    head, first, _, bare = book["scatter"].iter_rows(values_only=True)
    level, treble = dict(zip(head, first, strict=True)), dict(zip(head, bare, strict=True))
    assert (level["quantity"], level["between_takes_sd"], level["reproducibility_high"]) == ("rms_dbfs", 0.8, 2.0)
    assert (treble["between_takes_sd"], treble["withheld"]) == (None, "Each has one take.")
    assert [row["repeatability_sd"] for row in found.to_rows()] == [0.4, 0.8, 0.2]


def test_the_command_plans_for_the_difference_wanted(
    command: Callable[..., Said], answers: ContractService, tmp_path: Path
) -> None:
    status, out, err = command("study", "mill-bridge", "--difference", "rms_dbfs=1", "--difference", "crest_db=0.5")
    assert (status, err) == (0, "")
    assert out.startswith("How much the hand scatters")
    assert sent(answers) == {"subjects": ["mill-bridge"], "difference": {"rms_dbfs": 1.0, "crest_db": 0.5}}
    assert json.loads(command("study", "--json")[1]) == study()
    assert command("study", "-o", tmp_path / "s.csv")[2] == f"{tmp_path / 's.csv'}: 3 rows\n"


@pytest.mark.parametrize("typed", ["rms_dbfs", "rms_dbfs=some", "rms_dbfs=0", "=1", "rms_dbfs=-1"])
def test_a_difference_that_is_none_is_bad_usage(
    command: Callable[..., Said], answers: ContractService, typed: str
) -> None:
    status, out, err = command("study", "--difference", typed)
    assert (status, out) == (2, "")
    assert f"--difference {typed}" in err
    assert answers.seen == []
