"""The client and its commands that compare, study, group, fit and choose, against the real service."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

import coilbench
from coilbench import Client
from coilbench.answer import Answer
from http_recordings import RATE_HZ, pcm16, strums
from http_service import Service
from served import Command, served_service

LEVELS = {"harbour-neck": -18.0, "ferry-neck": -18.0, "weir-bridge": -14.0, "mill-bridge": -12.0, "quay-bridge": -10.0}
"""Peak of the strums before the hand, dBFS."""
TWICE = ("harbour-neck", "mill-bridge")
"""Pickups with two takes; the others have one."""
STRUMS, GAP_S, HAND_DB = 4, 1.0, 0.5
MAGNETS = {key: "alnico 5" if key.endswith("neck") else "ceramic" for key in LEVELS}


def hand(pickup: str, take: int) -> np.ndarray:
    """What the hand adds to each strum of a take, dB; shape (STRUMS,)."""
    return np.random.default_rng([20260301, list(LEVELS).index(pickup), take]).normal(0, HAND_DB, STRUMS)


def played(pickup: str, take: int) -> bytes:
    samples = strums(count=STRUMS, gap_s=GAP_S, level_dbfs=LEVELS[pickup])
    for number, change_db in enumerate(hand(pickup, take)):
        start = int((0.5 + number * GAP_S) * RATE_HZ)
        samples[start : start + int(GAP_S * RATE_HZ)] *= 10 ** (change_db / 20)
    return pcm16(samples)


def takes_of(pickup: str) -> range:
    return range(2 if pickup in TWICE else 1)


def level(pickup: str) -> float:
    """Mean of a pickup's strums in dB; between pickups, levels measured in dB differ as these do."""
    return LEVELS[pickup] + float(np.mean([hand(pickup, take) for take in takes_of(pickup)]))


def resistance_ohm(pickup: str) -> float:
    """On the data sheet: doubles with each 6 dB of level."""
    return float(6000 * 2 ** ((LEVELS[pickup] + 18) / 6))


HOTTER_DB = level("mill-bridge") - level("harbour-neck")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """The service with five pickups, their sheets and measured takes, and one take that is clipped."""
    with served_service(tmp_path_factory.mktemp("served")) as (service, url):
        for pickup in LEVELS:
            for take in takes_of(pickup):
                pick = "0.7 mm" if pickup == "mill-bridge" else "1.0 mm"
                about = {"label": f"{pickup} {take}", "pickup": pickup, "session": "tuesday", "pick": pick}
                service.sent(played(pickup, take), f"{pickup}-{take}.wav", about)
        about = {"label": "too hot", "pickup": "harbour-neck", "session": "tuesday", "pick": "1.0 mm"}
        service.sent(pcm16(strums(count=STRUMS, level_dbfs=9.0)), "clipped.wav", about)
        service.work()
        with Client(url, retries=0) as client:
            for pickup, magnet in MAGNETS.items():
                client.add_pickup(pickup, magnet=magnet, dcr_ohm=resistance_ohm(pickup))
        yield service, url


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_hotter_pickup_is_found_hotter_by_as_much_as_it_was_played(bench: Client) -> None:
    found = bench.compare("harbour-neck", ["mill-bridge"], ["rms_dbfs", "crest_db"])
    row = found.result("mill-bridge", "rms_dbfs")
    assert (row.verdict, row.word, row.unit) == ("higher", "hotter", "dB")
    assert row.difference == pytest.approx(HOTTER_DB, abs=0.01)  # each strum was scaled as a whole
    assert row.low < row.difference < row.high
    crest = found.result("mill-bridge", "crest_db")
    assert crest.difference == pytest.approx(0.0, abs=0.01)  # a factor takes no part in it
    assert found.ranking["rms_dbfs"] == (("mill-bridge",), ("harbour-neck",))
    assert {one.id: (len(one.takes), one.strums) for one in found.subjects} == {
        "harbour-neck": (2, 8),
        "mill-bridge": (2, 8),
    }
    assert [(one.field, one.baseline, one.value) for one in found.conditions] == [("pick", "1.0 mm", "0.7 mm")]
    (left,) = found.left_out
    assert (bench.take(left.take).label, left.subject) == ("too hot", "harbour-neck")
    assert "stand at full scale" in left.reason
    back = bench.compare("mill-bridge", "harbour-neck", "rms_dbfs").result("harbour-neck", "rms_dbfs")
    assert (back.difference, back.low, back.high) == pytest.approx((-row.difference, -row.high, -row.low))
    assert back.verdict == "lower"


def test_subjects_may_be_sheets_takes_and_ids_and_sessions_narrow_them(bench: Client) -> None:
    mill = bench.pickup("mill-bridge")
    assert bench.compare("harbour-neck", mill, "rms_dbfs") == bench.compare("harbour-neck", "mill-bridge", "rms_dbfs")
    one, other = (next(iter(bench.takes(pickup=key))) for key in TWICE)
    found = bench.compare(one, [other.id], "rms_dbfs")
    assert [(subject.kind, subject.takes) for subject in found.subjects] == [("take", (t.id,)) for t in (one, other)]
    expected = 6 + float(np.mean(hand("mill-bridge", 0)) - np.mean(hand("harbour-neck", 0)))
    assert found.result(other.id, "rms_dbfs").difference == pytest.approx(expected, abs=0.01)
    others = {row.other for row in bench.compare("harbour-neck", quantities="rms_dbfs", session="tuesday")}
    assert others == set(LEVELS) - {"harbour-neck"}
    with pytest.raises(coilbench.Unprocessable):
        bench.compare("harbour-neck", session="monday")


def test_a_study_finds_the_scatter_of_the_hand_that_played(bench: Client) -> None:
    found = bench.study(TWICE, "rms_dbfs", {"rms_dbfs": 1.0})
    (row,) = found
    within = [np.var(hand(pickup, take), ddof=1) for pickup in TWICE for take in takes_of(pickup)]
    # Repeatability is the pooled scatter within cells, ISO 5725-2:2019 (7.4); four takes of four strums: 4 x 3.
    assert row.repeatability.sd == pytest.approx(float(np.sqrt(np.mean(within))), abs=0.01)
    assert row.repeatability.degrees_of_freedom == 12
    assert row.repeatability.low < row.repeatability.sd < row.repeatability.high
    assert {plan.difference for plan in row.plan} == {1.0}
    assert [one.id for one in found.subjects] == list(TWICE)


def test_groups_differ_as_the_means_of_their_pickups_do(bench: Client) -> None:
    found = bench.group("magnet", "rms_dbfs")
    groups = {one.value: set(one.members) for one in found.groups}
    assert groups == {name: {key for key, magnet in MAGNETS.items() if magnet == name} for name in MAGNETS.values()}
    (pair,) = found
    means = {name: float(np.mean([level(key) for key in members])) for name, members in groups.items()}
    assert pair.difference == pytest.approx(means[pair.other] - means[pair.baseline], abs=0.01)
    (narrow,) = bench.group("magnet", "rms_dbfs", among=["harbour-neck", "mill-bridge"])
    assert narrow.difference is None or narrow.low is None
    assert "one pickup" in narrow.withheld
    with pytest.raises(coilbench.Unprocessable, match="they say dcr_ohm, magnet"):
        bench.group("magnt")


def test_a_fit_finds_the_slope_that_the_sheets_were_written_with(bench: Client) -> None:
    (row,) = bench.fit("dcr_ohm", "rms_dbfs")
    keys = list(LEVELS)
    doublings = np.log2([resistance_ohm(key) for key in keys])
    slope, _ = np.polyfit(doublings, [level(key) for key in keys], 1)
    assert (row.n, row.verdict, row.unit) == (5, "predicts", "dB per doubling")
    assert row.slope == pytest.approx(slope, abs=0.01)
    assert row.low < 6 < row.high
    assert {point.pickup: point.x for point in row.points} == {key: pytest.approx(resistance_ohm(key)) for key in keys}
    (few,) = bench.fit("dcr_ohm", "rms_dbfs", among=keys[:4])
    assert (few.verdict, few.slope) == ("too-few", None)


def test_a_choice_puts_the_pickup_that_was_played_so_first(bench: Client) -> None:
    found = bench.choose("harbour-neck", ["hot=6", "crest_db=same"])
    first, *_, last = found
    assert (found.fits, first.pickup, first.place, first.fits) == (("mill-bridge",), "mill-bridge", 1, True)
    (item,) = (one for one in first.items if one.quantity == "rms_dbfs")
    assert item.change == pytest.approx(HOTTER_DB, abs=0.01)
    assert item.miss == pytest.approx(abs(HOTTER_DB - 6), abs=0.01)
    assert (last.pickup, last.fits) == ("ferry-neck", False)
    assert [one.pickup for one in bench.choose("harbour-neck", {"hot": True}, among="weir-bridge")] == ["weir-bridge"]
    with pytest.raises(coilbench.Unprocessable, match="near it: hot"):
        bench.choose("harbour-neck", "hott")
    with pytest.raises(coilbench.BadDescription):
        bench.choose("harbour-neck", [])


def test_a_word_of_ones_own_is_made_wished_for_and_forgotten(bench: Client) -> None:
    came = bench.words()
    made = bench.set_word("Fenny", [{"quantity": "rms_dbfs", "direction": "more", "amount": 6.0}], "as in the fen")
    assert (made.word, made.says, made.built_in) == ("fenny", "as in the fen", False)
    assert made in bench.words()
    assert bench.choose("harbour-neck", "fenny").fits == ("mill-bridge",)
    bench.reset_word("fenny")
    assert bench.words() == came
    with pytest.raises(coilbench.NotFound):
        bench.reset_word("fenny")
    with pytest.raises(coilbench.Unprocessable, match="quantity"):
        bench.set_word("fenny", [{"quantity": "none", "direction": "more"}])


QUESTIONS: dict[str, list[str]] = {
    "compare": ["compare", "harbour-neck", "mill-bridge", "--quantities", "rms_dbfs,crest_db"],
    "study": ["study", *TWICE, "--quantities", "rms_dbfs,crest_db", "--difference", "rms_dbfs=1"],
    "group": ["group", "magnet", "--quantities", "rms_dbfs"],
    "fit": ["fit", "dcr_ohm", "--quantities", "rms_dbfs"],
    "choose": ["choose", "harbour-neck", "hot=6", "crest_db=same"],
}


def asked(bench: Client, question: str) -> Answer:
    """The same by the client."""
    return {
        "compare": lambda: bench.compare("harbour-neck", "mill-bridge", ["rms_dbfs", "crest_db"]),
        "study": lambda: bench.study(TWICE, ["rms_dbfs", "crest_db"], {"rms_dbfs": 1}),
        "group": lambda: bench.group("magnet", "rms_dbfs"),
        "fit": lambda: bench.fit("dcr_ohm", "rms_dbfs"),
        "choose": lambda: bench.choose("harbour-neck", {"hot": 6, "crest_db": "same"}),
    }[question]()


@pytest.mark.parametrize("question", QUESTIONS)
def test_what_a_command_saves_can_be_opened_again(
    bench: Client, command: Command, tmp_path: Path, question: str
) -> None:
    answer = asked(bench, question)
    rows = answer.to_rows()
    assert rows
    for suffix in ("csv", "xlsx", "json"):
        path = tmp_path / f"answer.{suffix}"
        status, out, err = command(*QUESTIONS[question], "-o", path)
        assert (status, out) == (0, "")
        assert err.startswith(f"{path}: {len(rows)} row")
    assert json.loads((tmp_path / "answer.json").read_text("utf-8")) == answer.document
    assert json.loads(command(*QUESTIONS[question], "--json")[1]) == answer.document
    with (tmp_path / "answer.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file, strict=True))
    keys = list(read[0])
    assert [[row[key] for key in keys] for row in read] == [[_csv_text(row.get(key)) for key in keys] for row in rows]
    book = openpyxl.load_workbook(tmp_path / "answer.xlsx")
    tables = answer.tables()
    assert book.sheetnames == [*tables, "columns"]
    for name, table in tables.items():
        head, *lines = book[name].iter_rows(values_only=True)
        assert list(head) == [column.key for column in table.columns]
        kept = [[row.get(column.key) for column in table.columns] for row in table.rows]
        assert [list(map(_book_value, line)) for line in lines] == [list(map(_book_value, line)) for line in kept]
    meanings = {line[0]: line[1] for line in book["columns"].iter_rows(values_only=True)}
    assert all(meanings[key] for key in keys)


def _csv_text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else str(value)


def _book_value(value: Any) -> Any:
    """A value as a spreadsheet can keep it: one kind of number, lists as text, nothing for what is empty."""
    if isinstance(value, list | tuple | dict):
        return "text"
    if isinstance(value, int | float) and not isinstance(value, bool):
        return pytest.approx(float(value), rel=1e-12)
    return value or None if isinstance(value, str) else value


@pytest.mark.parametrize("question", QUESTIONS)
def test_what_a_command_shows_fits_the_screen_and_names_takes_by_their_labels(
    command: Command, monkeypatch: pytest.MonkeyPatch, question: str
) -> None:
    for width in (80, 110):
        monkeypatch.setenv("COLUMNS", str(width))
        status, out, err = command(*QUESTIONS[question])
        assert (status, err) == (0, "")
        assert max(map(len, out.splitlines())) <= width
        assert "take too hot" in flat(out)
        assert "None" not in out
        assert "nan" not in out


def test_what_stands_on_the_screen_is_what_was_found(command: Command, bench: Client) -> None:
    shown = flat(command(*QUESTIONS["compare"])[1])
    row = bench.compare("harbour-neck", "mill-bridge", ["rms_dbfs", "crest_db"]).result("mill-bridge", "rms_dbfs")
    either = [f"mill-bridge {row.difference:+.{n}f} dB {row.low:+.{n}f} to {row.high:+.{n}f} hotter" for n in (1, 2)]
    assert any(line in shown for line in either)  # a narrow interval gets one decimal more
    assert "pick 0.7 mm (harbour-neck: 1.0 mm)" in shown
    assert "Fits: mill-bridge" in flat(command(*QUESTIONS["choose"])[1])
    status, out, err = command("words", "set", "fenny", "rms_dbfs", "more", "6", "crest_db", "same")
    assert (status, out, err) == (0, "", "fenny: rms_dbfs more by 6, crest_db same.\n")
    assert "fenny own rms_dbfs more by 6, crest_db same" in flat(command("words")[1])
    assert "Fits: mill-bridge" in flat(command("choose", "harbour-neck", "fenny")[1])
    listed = [json.loads(line) for line in command("words", "--json")[1].splitlines()]
    assert {one["word"] for one in listed} >= {"fenny", "bright", "hot"}
    assert command("words", "reset", "fenny")[0] == 0
    assert "fenny" not in command("words")[1]


UNKNOWN = {
    "a baseline": ["compare", "mill-brigde"],
    "another": ["compare", "harbour-neck", "mill-brigde"],
    "of a study": ["study", "mill-brigde"],
    "of groups": ["group", "magnet", "--among", "harbour-neck,mill-brigde"],
    "of a fit": ["fit", "--among", "harbour-neck,mill-brigde"],
    "a reference": ["choose", "mill-brigde", "hot"],
    "of a choice": ["choose", "harbour-neck", "hot", "--among", "mill-brigde"],
}


@pytest.mark.parametrize("typed", UNKNOWN.values(), ids=UNKNOWN)
def test_an_unknown_pickup_exits_1_and_names_those_near_it(command: Command, typed: list[str], tmp_path: Path) -> None:
    status, out, err = command(*typed, "-o", tmp_path / "x.csv")
    assert (status, out) == (1, "")
    assert "'mill-brigde'" in err
    assert "Near: mill-bridge" in err
    assert not list(tmp_path.iterdir())


def test_a_baseline_that_can_not_carry_a_comparison_says_why(bench: Client, command: Command) -> None:
    (clipped,) = (take for take in bench.takes(pickup="harbour-neck") if take.label == "too hot")
    with pytest.raises(coilbench.Unprocessable) as caught:
        bench.compare(clipped, "mill-bridge")
    assert caught.value.problem.slug == "nothing-to-compare"
    status, _, err = command("compare", clipped.id, "mill-bridge")
    assert status == 1
    assert "stand at full scale" in err


@pytest.mark.parametrize(
    "typed",
    [
        ["compare", "none"],
        ["group", "magnt"],
        ["fit", "dcr"],
        ["choose", "harbour-neck", "hott"],
        ["choose", "harbour-neck", "bright", "dark"],
        ["words", "reset", "none"],
    ],
    ids=" ".join,
)
def test_a_command_says_what_to_type_and_not_what_to_request(command: Command, typed: list[str]) -> None:
    status, out, err = command(*typed)
    assert (status, out) == (1, "")
    assert "`coilbench " in err.splitlines()[-1]
    assert "/v1/" not in err


def test_bad_usage_exits_2(command: Command, tmp_path: Path) -> None:
    for typed in (
        ["compare", "harbour-neck", "--quantities", "rms_db"],
        ["compare", "harbour-neck", "--confidence", "1"],
        ["study", "--difference", "rms_dbfs=loud"],
        ["choose", "harbour-neck", "hot=very"],
        ["words", "set", "fenny", "rms_dbfs", "louder"],
    ):
        assert command(*typed)[0] == 2, typed
    path = tmp_path / "x.ods"
    status, _, err = command(*QUESTIONS["compare"], "-o", path)
    assert status != 0
    assert ".ods" in err
