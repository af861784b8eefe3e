"""Comparisons, choices and words: calls, text, files and commands against the contract service."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import coilbench
from coilbench import Client, Comparison, Sent, Take
from coilbench.choice import Choice, wish_of
from coilbench.command import run
from coilbench.sheet import Pickup
from unit.client.contract_answers import NAMES, WHY_WITHHELD, WORDS, choice, comparison, row, unsettled
from unit.client.contract_service import ContractService

Said = tuple[int, str, str]
ROWS = 9


@pytest.fixture
def answers(service: ContractService) -> ContractService:
    """A service that knows the answers to be."""
    service.answers["POST", "/v1/comparisons"] = comparison()
    service.answers["POST", "/v1/choices"] = choice()
    service.answers["GET", "/v1/words"] = WORDS
    service.answers["PUT", "/v1/words/glassy"] = WORDS["items"][1]
    service.answers["DELETE", "/v1/words/glassy"] = None
    return service


@pytest.fixture
def command(answers: ContractService, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def typed(*arguments: object) -> Said:
        status = run(["--url", answers.url, *map(str, arguments)])
        out, err = capsys.readouterr()
        return status, out, err

    return typed


def sent(service: ContractService, method: str = "POST") -> dict[str, Any]:
    """The JSON of the last request of a method."""
    body: dict[str, Any] = json.loads(service.requests(method)[-1].body)
    return body


def test_a_comparison_is_typed_and_iterates_over_its_rows(bench: Client, answers: ContractService) -> None:
    found = bench.compare("harbour-neck", ["mill-bridge"], ["rms_dbfs"], confidence=0.9, session="tuesday")
    assert sent(answers) == {
        "baseline": "harbour-neck",
        "others": ["mill-bridge"],
        "quantities": ["rms_dbfs"],
        "confidence": 0.9,
        "session": "tuesday",
    }
    assert (len(found), [one.other for one in found][:3]) == (ROWS, ["mill-bridge", "weir-bridge", "=ferry"])
    hot = found.result("mill-bridge", "rms_dbfs")
    assert (hot.difference, hot.low, hot.high, hot.unit) == (7.25, 6.45, 8.05, "dB")
    assert (hot.verdict, hot.word, hot.shown, hot.takes, hot.strums) == ("higher", "hotter", True, (2, 2), (8, 7))
    withheld = found.result("weir-bridge", "rms_dbfs")
    assert (withheld.withheld, withheld.verdict, withheld.shown) == (WHY_WITHHELD, None, False)
    assert withheld.difference is None
    open_row = found.result("weir-bridge", "crest_db")
    assert (open_row.word, open_row.strums_to_settle, open_row.takes_to_settle) == ("no difference shown", 60, 15)
    assert found.ranking["treble_db"] == (("=ferry",), ("weir-bridge", "harbour-neck"), ("mill-bridge",))
    assert found.alike == {"treble_db": (("=ferry", "weir-bridge"),)}
    assert found.conditions[1].baseline is None
    assert found.left_out[0].take == "t9"
    with pytest.raises(KeyError, match="rms_mv"):
        found.result("mill-bridge", "rms_mv")


def test_subjects_may_be_named_in_every_way(bench: Client, answers: ContractService) -> None:
    take = Take("t1", "measured", "", "a.wav", 1, "")
    frame = {"key": "mill-bridge", "created": "", "updated": ""}
    sheet = Pickup.from_document(frame)
    bench.compare(take, [sheet, Sent(Path("a.wav"), "sent", {}, take), "x"])
    assert sent(answers) == {"baseline": "t1", "others": ["mill-bridge", "t1", "x"], "confidence": 0.95}
    bench.compare(sheet, "one", "rms_dbfs")
    assert (sent(answers)["others"], sent(answers)["quantities"]) == (["one"], ["rms_dbfs"])
    with pytest.raises(coilbench.BadDescription, match=r"a\.wav is not with the service: would-send"):
        bench.compare(Sent(Path("a.wav"), "would-send"))
    with pytest.raises(coilbench.BadDescription, match="confidence must be a number"):
        bench.compare("a", confidence=float("nan"))


def test_an_answer_that_is_no_comparison_is_told(bench: Client, answers: ContractService) -> None:
    answers.answers["POST", "/v1/comparisons"] = {"baseline": "x"}
    with pytest.raises(coilbench.UnreadableAnswer, match="not a comparison"):
        bench.compare("x")


def test_rows_and_data_frames_hold_the_figures() -> None:
    found = Comparison.from_document(comparison())
    rows = found.to_rows()
    assert len(rows) == ROWS
    assert (rows[0]["difference"], rows[0]["baseline_strums"], rows[0]["other_strums"]) == (7.25, 8, 7)
    assert rows[1]["withheld"] == WHY_WITHHELD
    frame = found.to_pandas()
    assert frame["difference"].dtype == "float64"
    assert frame["difference"].isna().tolist()[:3] == [False, True, True]


def test_a_comparison_is_saved_as_csv_spreadsheet_and_json(tmp_path: Path) -> None:
    found = Comparison.from_document(comparison())
    with found.save(tmp_path / "c.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [one["other"] for one in rows][:3] == ["mill-bridge", "weir-bridge", "'=ferry"]
    assert (rows[0]["difference"], rows[0]["word"], rows[1]["difference"]) == ("7.25", "hotter", "")
    book = openpyxl.load_workbook(found.save(tmp_path / "c.xlsx"))
    assert book.sheetnames == [*("differences", "ranking", "bands", "conditions", "left out", "cautions", "columns")]
    head, first, *_ = book["differences"].iter_rows(values_only=True)
    assert dict(zip(head, first, strict=True))["difference"] == 7.25
    assert [cell.value for cell in book["ranking"]["C"]][1:3] == ["mill-bridge", "harbour-neck"]
    assert all(cell.data_type != "f" for sheet in book for line in sheet.iter_rows() for cell in line)
    meanings = {line[0]: line[1] for line in book["columns"].iter_rows(values_only=True)}
    assert meanings["p_holm"] == "The same for the whole answer, after Holm"
    assert json.loads(found.save(tmp_path / "c.json").read_text("utf-8")) == comparison()
    with pytest.raises(coilbench.UnknownFormat, match=r"the extension \.ods"):
        found.save(tmp_path / "c.ods")
    with pytest.raises(coilbench.NotSaved):
        found.save(tmp_path / "gone" / "c.xlsx")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c.csv", "c.json", "c.xlsx"]


@pytest.mark.parametrize("width", [60, 80, 100, 110, 160])
def test_the_text_fits_the_width_and_says_all(width: int) -> None:
    text = str(Comparison.from_document(comparison()).page(width, bands=True))
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    for said in (
        "Against harbour-neck (2 takes, 8 strums)",
        "mill-bridge +7.2 dB +6.5 to +8.1 hotter",
        "weir-bridge +0.4 dB -0.4 to +1.2 no difference shown",
        "=ferry 0.0 dB -0.8 to +0.8",
        f"weir-bridge, =ferry; RMS level: {WHY_WITHHELD}",
        "1 =ferry 2 weir-bridge = harbour-neck 3 mill-bridge",
        "On different places, and yet not told apart: Treble of =ferry and weir-bridge.",
        "mill-bridge: pick 0.7 mm (harbour-neck: 1.0 mm); battery_v 9.4 (harbour-neck: not stated)",
        "No input gain is stated: holds only if it was not touched.",
        "mill-bridge (take t9): It is clipped in strums 1 and 2.",
        "weir-bridge scatters out of line from take to take.",
        "More than 10,000 strums would be needed.",
        "63 Hz +1.5 dB +0.5 to +2.5",
        "15 takes",
        "24 strums",
    ):
        assert said in flat, said
    order = [text.index(word) for word in ("RMS level:", "\nWithheld", "\nConditions", "\nLeft out")]
    assert order == sorted(order)


def test_where_there_is_room_what_could_be_shown_stands_beside() -> None:
    found = Comparison.from_document(comparison())
    wide, narrow = str(found.page(110)), str(found.page(80))
    head = next(line for line in wide.splitlines() if "verdict" in line)
    assert head.split() == [*["difference", "95", "%", "interval", "verdict", "could", "show", "to", "settle", "p"]]
    assert next(line for line in wide.splitlines() if "hotter" in line).split()[-1] == "<0.001"
    assert "could show" not in narrow
    assert "    1.1 dB would have been shown; 15 takes of each in all would settle it." in narrow.splitlines()


def test_long_names_get_lines_of_their_own() -> None:
    name = "the pickup that came back from the winder in the second week of May"
    text = str(Comparison.from_document(comparison(results=[row(name, "rms_dbfs", 7.25)])).page(80))
    assert max(len(line) for line in text.splitlines()) <= 80
    at = text.splitlines().index(f"  {name}")
    assert text.splitlines()[at + 1].split() == ["+7.2", "dB", "+6.5", "to", "+8.1", "hotter"]


def test_a_row_of_a_quantity_that_is_not_listed_is_shown_all_the_same() -> None:
    found = comparison(results=[row("mill-bridge", "octave_db_63", 2.5)])
    flat = " ".join(str(Comparison.from_document(found)).split())
    assert "octave_db_63: harbour-neck has -30.2 dB mill-bridge +2.5 dB +1.7 to +3.3 higher" in flat


def test_narrow_intervals_get_one_decimal_more_and_nothing_is_minus_zero() -> None:
    rows = [unsettled("mill-bridge", "crest_db", -0.004, low=-0.034, high=0.026)]
    text = str(Comparison.from_document(comparison(results=rows)))
    assert " 0.00 dB  -0.03 to +0.03" in text
    assert "-0.00" not in text


def test_two_alone_are_not_ranked_and_nothing_is_said_of_nothing() -> None:
    changes: dict[str, Any] = {key: [] for key in ("conditions", "left_out", "cautions", "bands")}
    found = comparison(results=[row("mill-bridge", "rms_dbfs", 7.25)], subjects=comparison()["subjects"][:2], **changes)
    text = str(Comparison.from_document(found))
    for word in ("Ranking", "Withheld", "Conditions", "Left out", "Cautions", "trust", "withheld"):
        assert word not in text


def test_compare_shows_saves_and_prints_for_programs(
    command: Callable[..., Said], answers: ContractService, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, err = command("compare", "harbour-neck", "mill-bridge", "weir-bridge", "--session", "tuesday")
    assert (status, err) == (0, "")
    assert out.startswith("Against harbour-neck")
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "Octaves" not in out
    assert sent(answers)["others"] == ["mill-bridge", "weir-bridge"]
    _, out, _ = command("compare", "harbour-neck", "--bands", "--quantities", "rms_dbfs, treble_db")
    assert "Octaves of mill-bridge" in out
    assert sent(answers) == {"baseline": "harbour-neck", "quantities": ["rms_dbfs", "treble_db"], "confidence": 0.95}
    status, out, err = command("compare", "harbour-neck", "-o", tmp_path / "c.xlsx")
    assert (status, out, err) == (0, "", f"{tmp_path / 'c.xlsx'}: 9 rows in 6 sheets\n")
    status, out, err = command("compare", "harbour-neck", "-o", tmp_path / "c.csv", "--json")
    assert (json.loads(out), err) == (comparison(), f"{tmp_path / 'c.csv'}: 9 rows\n")
    assert out.count("\n") == 1


def test_a_pickup_that_there_is_not_gives_1_with_those_near(
    command: Callable[..., Said], answers: ContractService
) -> None:
    problem = {
        "type": "/problems/subject-unknown",
        "title": "There is no such pickup or take",
        "status": 422,
        "detail": "others.0: no pickup or take is called 'mill'; near: mill-bridge",
        "advice": "Correct the fields listed under errors.",
        "errors": [{"field": "others.0", "message": "no pickup or take is called 'mill'; near: mill-bridge"}],
    }
    answers.fail("POST", "/v1/comparisons", 422, body=problem)
    status, out, err = command("compare", "harbour-neck", "mill")
    assert (status, out) == (1, "")
    assert "near: mill-bridge" in err


def test_a_choice_is_typed_saved_and_readable(bench: Client, answers: ContractService, tmp_path: Path) -> None:
    found = bench.choose("harbour-neck", ["bright", "rms_dbfs=same", "crest_db=-1.5"], among=["weir-bridge"])
    assert sent(answers) == {
        "reference": "harbour-neck",
        "wish": {"bright": True, "rms_dbfs": "same", "crest_db": -1.5},
        "among": ["weir-bridge"],
    }
    assert [(one.place, one.pickup, one.fits) for one in found] == [
        (1, "weir-bridge", False),
        (2, "mill-bridge", False),
    ]
    assert found.ranking[0].items[0].miss_in_uncertainty == 2.4
    assert [row["change"] for row in found.to_rows()] == [1.4, 0.2, -3.0, None]
    book = openpyxl.load_workbook(found.save(tmp_path / "c.xlsx"))
    assert book.sheetnames == ["pickups", "in words", "wish", "advice", "columns"]
    for width in (80, 110):
        text = str(found.page(width))
        assert max(len(line) for line in text.splitlines()) <= width
        flat = " ".join(text.split())
        assert "bright treble_db +2.0 dB (an ear can tell about 1 dB)" in flat
        assert "None fits; weir-bridge comes closest" in flat
        assert "treble_db +1.4 dB +0.9 to +1.9 0.6 dB 0.6 missed" in flat
        assert "Fewer turns would raise the resonance." in flat
        assert f"rms_dbfs: {WHY_WITHHELD}" in flat
    assert "Fits: weir-bridge" in str(Choice.from_document(choice(fits=["weir-bridge"])))
    assert "no other pickup" in str(Choice.from_document(choice(ranking=[])))


def test_choose_takes_words_amounts_and_directions(command: Callable[..., Said], answers: ContractService) -> None:
    typed = ("bright", "hot=4", "treble_db=+2", "bass_db=same", "sustain_20_s=more")
    status, out, err = command("choose", "harbour-neck", *typed, "--among", "mill-bridge,weir-bridge")
    assert (status, err) == (0, "")
    assert "comes closest" in out
    wish = {"bright": True, "hot": 4.0, "treble_db": 2.0, "bass_db": "same", "sustain_20_s": "more"}
    assert (sent(answers)["wish"], sent(answers)["among"]) == (wish, ["mill-bridge", "weir-bridge"])
    assert json.loads(command("choose", "harbour-neck", "bright", "--json")[1]) == choice()


def test_words_are_listed_set_and_reset(command: Callable[..., Said], bench: Client, answers: ContractService) -> None:
    assert [(one.word, one.changed) for one in bench.words()] == [("bright", False), ("glassy", True)]
    status, out, _ = command("words")
    assert status == 0
    assert out.splitlines()[1].split(maxsplit=2) == ["glassy", "own", "treble_db more by 3, bass_db less"]
    assert [json.loads(line)["word"] for line in command("words", "--json")[1].splitlines()] == ["bright", "glassy"]
    typed = ("words", "set", "glassy", "treble_db", "more", 3, "bass_db", "less", "--says", "like glass")
    assert command(*typed) == (0, "", "glassy: treble_db more by 3, bass_db less.\n")
    items = [
        {"quantity": "treble_db", "direction": "more", "amount": 3.0},
        {"quantity": "bass_db", "direction": "less"},
    ]
    assert sent(answers, "PUT") == {"items": items, "says": "like glass"}
    assert command("words", "reset", "glassy")[0] == 0
    assert answers.requests("DELETE")[-1].path == "/v1/words/glassy"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["compare"], "Missing argument"),
        (["compare", "a", "--confidence", "95"], "95"),
        (["compare", "a", "--quantities", ","], "write keys with commas between them"),
        (["compare", "a", "-o", "t.ods"], "a table is saved as .csv, .xlsx, .json"),
        (["choose", "a"], "Missing argument"),
        (["choose", "a", "hot=loud"], "hot must be a number, more, less or same; found 'loud'"),
        (["choose", "a", "hot="], "'hot=' is no wish"),
        (["choose", "a", "hot", "hot=3"], "hot is wished for twice"),
        (["words", "set", "hot", "rms_dbfs"], "must stand more, less or same"),
    ],
)
def test_bad_usage_gives_2_and_asks_nothing(
    command: Callable[..., Said], answers: ContractService, arguments: list[str], message: str
) -> None:
    status, out, err = command(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert answers.seen == []


def test_a_wish_is_a_mapping_or_words() -> None:
    assert wish_of({"hot": 4}) == {"hot": 4}
    assert wish_of("bright") == {"bright": True}
    with pytest.raises(coilbench.BadDescription, match="say what is wished for"):
        wish_of([])


def test_the_answers_of_these_tests_name_every_quantity() -> None:
    assert {one["quantity"] for one in comparison()["results"]} == set(NAMES)


def test_takes_are_shown_by_their_labels(command: Callable[..., Said], answers: ContractService) -> None:
    first = answers.add(b"1", "one.wav", {"label": "first try"}, "measured")["id"]
    second = answers.add(b"2", "two.wav", {"label": "second try"}, "measured")["id"]
    answers.answers["POST", "/v1/comparisons"] = comparison(
        baseline=first,
        subjects=[{"id": id, "kind": "take", "takes": [id], "strums": 4} for id in (first, second)],
        results=[row(second, "rms_dbfs", 7.25)],
        conditions=[{"other": second, "field": "pick", "baseline": "1.0 mm", "value": None}],
        left_out=[{"take": first, "subject": second, "reason": "The same recording."}],
    )
    _, out, _ = command("compare", first, second)
    assert out.startswith("Against first try (1 take, 4 strums)")
    flat = " ".join(out.split())
    assert "second try +7.2 dB" in flat
    assert "second try: pick not stated (first try: 1.0 mm)" in flat
    assert "second try (take first try): The same recording." in flat
    assert json.loads(command("compare", first, second, "--json")[1])["baseline"] == first


def test_a_question_is_asked_again_when_the_service_is_busy_or_the_connection_is_lost(
    bench: Client, answers: ContractService, waited: list[float]
) -> None:
    answers.fail("POST", "/v1/comparisons", 503, body={"title": "Busy", "status": 503})
    answers.fail("POST", "/v1/comparisons", lose="after")
    assert len(bench.compare("harbour-neck")) == ROWS
    assert (len(waited), len(answers.requests("POST"))) == (2, 3)


def test_a_wish_for_what_is_not_there_leads_to_the_words(
    command: Callable[..., Said], answers: ContractService
) -> None:
    errors = [{"field": "wish.loud", "message": "is neither a word nor a quantity"}]
    problem = {"type": "/problems/invalid-request", "title": "Values that can't be used", "status": 422}
    problem |= {"detail": "wish.loud: is neither a word nor a quantity", "advice": "Correct the fields."}
    answers.fail("POST", "/v1/choices", 422, body={**problem, "errors": errors})
    status, out, err = command("choose", "harbour-neck", "loud")
    assert (status, out) == (2, "")
    assert err.splitlines()[1:] == [
        "  wish.loud: is neither a word nor a quantity",
        "`coilbench words` lists the words, `coilbench table --list-quantities` the quantities.",
    ]
