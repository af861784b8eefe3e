"""Strums fetched and saved by client and command, from the real service: one folder, one loudness, names or letters."""

from __future__ import annotations

import csv
import json
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbench import Client, Conflict, NoCommonLevel, NotFound, NothingToHear, NotSaved, TooLoud
from http_recordings import pcm16, strums, strums_wav
from http_service import Service
from served import Command, served_service

LEVELS_DBFS = {"harbour-neck": -12.0, "mill: bridge/1": -30.0}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    with served_service(tmp_path_factory.mktemp("heard")) as (service, address):
        for pickup, level in LEVELS_DBFS.items():
            about = {"pickup": pickup, "session": "Tuesday", "label": f"{pickup} dry"}
            service.measured(strums_wav(level_dbfs=level), "a.wav", about)
        service.measured(strums_wav(gap_s=0.7), "short.wav", {"pickup": "short", "session": "Friday"})
        yield service, address


def first_take(bench: Client, pickup: str = "harbour-neck") -> str:
    return next(iter(bench.takes(pickup=pickup))).id


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def peak(path: Path) -> float:
    return float(np.abs(soundfile.read(path)[0]).max())


def test_one_strum_is_saved_under_the_name_given_or_a_name_of_its_own(bench: Client, tmp_path: Path) -> None:
    take = first_take(bench)
    named = bench.strum_audio(bench.take(take), 2, path=tmp_path / "second.wav")
    assert named == tmp_path / "second.wav"
    own = bench.strum_audio(take, 2, -30, tmp_path)
    assert own.name == f"{take} strum 2 at -30 LUFS.wav"
    loudness = bench.measurement(take).strums[1].quantities["loudness_lufs"]
    assert loudness is not None
    assert peak(own) == pytest.approx(peak(named) * 10 ** ((-30 - loudness) / 20), rel=1e-4)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([named.name, own.name])


def test_refusals_are_errors_with_the_way_out_and_leave_no_file(bench: Client, tmp_path: Path) -> None:
    take = first_take(bench)
    with pytest.raises(TooLoud, match="The greatest loudness that fits is") as loud:
        bench.strum_audio(take, 1, -3.0, tmp_path)
    assert loud.value.greatest_match_lufs is not None
    bench.strum_audio(take, 1, loud.value.greatest_match_lufs, tmp_path / "fits.wav")
    with pytest.raises(NotFound, match="numbers 1 to 3; 9 was asked for"):
        bench.strum_audio(take, 9, path=tmp_path)
    with pytest.raises(NotSaved):
        bench.strum_audio(take, 1, path=tmp_path / "no folder" / "a.wav")
    assert [path.name for path in tmp_path.iterdir()] == ["fits.wav"]


def test_take_that_waits_is_a_conflict(served: tuple[Service, str], bench: Client, tmp_path: Path) -> None:
    take = served[0].sent(strums_wav(count=2))
    with pytest.raises(Conflict):
        bench.strum_audio(take["id"], 1, path=tmp_path)
    served[0].work()


def test_pickups_are_saved_at_one_loudness_with_telling_names_and_a_list(bench: Client, tmp_path: Path) -> None:
    found = bench.listen(list(LEVELS_DBFS), folder=tmp_path / "heard", session="Tuesday")
    names = [excerpt.file.name for excerpt in found]
    assert [name[:23] for name in names] == ["01 harbour-neck - harbo", "02 mill_ bridge_1 - mil"]
    assert all(excerpt.file.is_file() for excerpt in found)
    difference_db = found.excerpts[0].loudness_lufs - found.excerpts[1].loudness_lufs
    assert difference_db == pytest.approx(18.0, abs=0.5)
    assert peak(found.excerpts[0].file) == pytest.approx(peak(found.excerpts[1].file), rel=0.05)
    rows = rows_of(tmp_path / "heard" / "list.csv")
    assert [row["file"] for row in rows] == names
    assert [float(row["loudness_lufs"]) + float(row["gain_db"]) for row in rows] == pytest.approx(
        [-23.0, -23.0], abs=1e-4
    )
    assert (tmp_path / "heard" / "list.m3u8").read_text("utf-8").splitlines() == ["#EXTM3U", *names]
    assert sorted(path.name for path in (tmp_path / "heard").iterdir()) == sorted([*names, "list.csv", "list.m3u8"])
    with pytest.raises(NotSaved, match="has files already"):
        bench.listen(folder=tmp_path / "heard")


def test_strum_that_stands_for_a_pickup_is_the_one_in_the_middle(
    served: tuple[Service, str], bench: Client, tmp_path: Path
) -> None:
    samples = strums(count=3)
    for number, gain_db in enumerate((0.0, 4.0, 2.0)):
        start = round((0.49 + number) * 48_000)
        samples[start : start + 48_000] *= 10 ** (gain_db / 20)
    take = served[0].measured(pcm16(samples), "uneven.wav", {"session": "uneven"})
    one = bench.listen(take["id"], folder=tmp_path / "one")
    assert [excerpt.strum for excerpt in one] == [3]
    two = bench.listen(folder=tmp_path / "two", session="uneven", strums=2, match_lufs=None)
    assert [(excerpt.subject, excerpt.strum, excerpt.gain_db) for excerpt in two] in (
        [(take["id"], 1, 0.0), (take["id"], 3, 0.0)],
        [(take["id"], 2, 0.0), (take["id"], 3, 0.0)],
    )


def test_level_that_one_of_them_cannot_take_saves_nothing_and_names_one_that_fits(
    bench: Client, tmp_path: Path
) -> None:
    folder = tmp_path / "loud"
    with pytest.raises(NoCommonLevel, match="At -3 LUFS 2 of 2 strums would pass full scale") as loud:
        bench.listen(list(LEVELS_DBFS), -3.0, folder)
    assert list(folder.iterdir()) == []
    assert len(bench.listen(list(LEVELS_DBFS), loud.value.greatest_match_lufs, folder)) == 2


def test_what_can_not_be_heard_is_said_and_nothing_at_all_is_an_error(bench: Client, tmp_path: Path) -> None:
    found = bench.listen(["harbour-neck", "short", "nobody's"], folder=tmp_path / "some")
    assert [excerpt.subject for excerpt in found] == ["harbour-neck"]
    assert {one.subject: one.reason for one in found.left_out} == {
        "short": "none of its strums has a loudness",
        "nobody's": "no measured take of this pickup, or no such take",
    }
    with pytest.raises(NothingToHear, match="nobody's: no measured take"):
        bench.listen("nobody's", folder=tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_blind_test_gives_letters_away_and_keeps_the_key_apart(bench: Client, tmp_path: Path) -> None:
    folder = tmp_path / "blind"
    orders = set()
    for seed in range(8):
        found = bench.listen(
            list(LEVELS_DBFS), folder=folder / str(seed) / "test", blind=True, chance=random.Random(seed)
        )
        orders.add(tuple(excerpt.subject for excerpt in found))
    assert len(orders) == 2
    here = folder / "0" / "test"
    assert sorted(path.name for path in here.iterdir()) == ["A.wav", "B.wav", "list.csv", "list.m3u8"]
    told = "".join(path.read_text("utf-8") for path in (here / "list.csv", here / "list.m3u8"))
    assert not any(word in told for word in ("harbour", "mill", "LUFS", "gain"))
    key = rows_of(folder / "0" / "test-key.csv")
    assert {row["file"] for row in key} == {"A.wav", "B.wav"}
    assert {row["subject"] for row in key} == set(LEVELS_DBFS)


def test_command_saves_lists_and_warns_of_loud_playback(command: Command, tmp_path: Path) -> None:
    status, out, err = command("listen", "harbour-neck", "mill: bridge/1", "--folder", tmp_path / "heard")
    assert status == 0
    assert "2 strums at -23 LUFS" in out
    assert "01 harbour-neck - harbour-neck dry - strum" in out
    assert "Start with the volume down" in err
    assert "local rules" in err
    assert len(list((tmp_path / "heard").glob("*.wav"))) == 2
    status, out, err = command("listen", "short", "harbour-neck", "--folder", tmp_path / "one", "--as-recorded")
    assert status == 1
    assert "short can't be listened to: none of its strums has a loudness." in err
    status, _, err = command("listen", "harbour-neck", "--folder", tmp_path / "loud", "--lufs", "-3")
    assert status == 1
    assert "Give --lufs -" in err


def test_command_gives_nothing_away_in_a_blind_test(command: Command, tmp_path: Path) -> None:
    status, out, err = command("listen", *LEVELS_DBFS, "--blind", "--folder", tmp_path / "test")
    assert status == 0
    assert "says which is which; look when you have" in " ".join(out.split())
    assert "harbour" not in out + err
    status, out, _ = command("listen", *LEVELS_DBFS, "--blind", "--folder", tmp_path / "other", "--json")
    document = json.loads(out)
    assert [one["file"] for one in document["excerpts"]] == ["A.wav", "B.wav"]
    assert "harbour" not in out
