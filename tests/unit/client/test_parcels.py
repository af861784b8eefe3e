"""Which files are meant, and how they come to their descriptions."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.description import canonical, parse_setting, same
from coilbench.errors import BadDescription
from coilbench.manifest import read_manifest
from coilbench.parcels import pack
from coilbench.selection import select


def test_other_files_and_folders_are_passed_over_by_name_and_hidden_ones_quietly(recordings: Path) -> None:
    selection = select(recordings)
    assert [path.name for path in selection.files] == ["a.wav", "b.flac", "c.AIFF"]
    assert [path.name for path in selection.passed_over] == ["notes.txt", "old"]


def test_numbers_in_names_sort_by_their_value(tmp_path: Path) -> None:
    for name in ("take 10.wav", "take 2.wav", "Take 1.wav", "a.wav"):
        (tmp_path / name).write_bytes(b"x")
    expected = ["a.wav", "Take 1.wav", "take 2.wav", "take 10.wav"]
    assert [path.name for path in select(tmp_path).files] == expected
    assert [path.name for path in select(f"{tmp_path}/*").files] == expected


def test_a_file_that_is_meant_twice_is_taken_once(recordings: Path) -> None:
    selection = select([recordings / "a.wav", recordings, f"{recordings}/*.wav"])
    assert [path.name for path in selection.files] == ["a.wav", "b.flac", "c.AIFF"]


def test_a_pattern_without_an_extension_passes_other_files_over(recordings: Path) -> None:
    selection = select(f"{recordings}/*")
    assert [path.name for path in selection.files] == ["a.wav", "b.flac", "c.AIFF"]
    assert [path.name for path in selection.passed_over] == ["notes.txt"]
    assert [path.name for path in select(f"{recordings}/*.txt").files] == ["notes.txt"]


def test_a_file_named_as_such_is_taken_whatever_its_extension(recordings: Path) -> None:
    assert [path.name for path in select(recordings / "notes.txt").files] == ["notes.txt"]


def test_a_name_with_brackets_is_a_file_before_it_is_a_pattern(tmp_path: Path) -> None:
    (tmp_path / "take [1].wav").write_bytes(b"x")
    assert [path.name for path in select(tmp_path / "take [1].wav").files] == ["take [1].wav"]


def test_the_manifest_goes_before_what_is_said_of_all(recordings: Path) -> None:
    (recordings / "takes.csv").write_text("file,pickup\na.wav,mill-bridge\nb.flac,\n")
    packing = pack(
        select(recordings), [read_manifest(recordings / "takes.csv")], {"pickup": "mill-neck", "pick": "1 mm"}
    )
    assert [dict(parcel.about) for parcel in packing.parcels] == [
        {"pickup": "mill-bridge", "pick": "1 mm"},
        {"pickup": "mill-neck", "pick": "1 mm"},
        {"pickup": "mill-neck", "pick": "1 mm"},
    ]
    assert [path.name for path in packing.undescribed] == ["c.AIFF"]


def test_one_file_in_two_lines_is_two_takes(recordings: Path) -> None:
    (recordings / "takes.csv").write_text("file,channel\na.wav,1\na.wav,2\n")
    packing = pack(select(recordings / "a.wav"), [read_manifest(recordings / "takes.csv")])
    assert [parcel.about["channel"] for parcel in packing.parcels] == [1, 2]


def test_what_the_manifest_names_beyond_the_selection_is_told_and_not_sent(recordings: Path) -> None:
    (recordings / "takes.csv").write_text("file\na.wav\nb.flac\n")
    packing = pack(select(recordings / "a.wav"), [read_manifest(recordings / "takes.csv")])
    assert [parcel.file.name for parcel in packing.parcels] == ["a.wav"]
    assert [path.name for path in packing.unselected] == ["b.flac"]


def test_descriptions_are_the_same_whatever_their_form() -> None:
    assert same({"battery_v": 9.0, "notes": None, "x": "y"}, {"battery_v": 9, "extra": {"x": "y"}})
    assert same({"tags": ["b", "a", "a"]}, {"tags": ["a", "b"]})
    assert not same({"label": "a"}, {"label": "b"})
    assert not same({"label": "a"}, {"label": "a", "extra": {"x": 1}})
    assert canonical({"label": "", "extra": {}}) == {}


@pytest.mark.parametrize(
    ("setting", "value"),
    [("pickup=mill", ("pickup", "mill")), ("notes=a=b", ("notes", "a=b")), ("channel = 2", ("channel", 2))],
)
def test_a_setting_is_read(setting: str, value: tuple[str, object]) -> None:
    assert parse_setting(setting) == value


@pytest.mark.parametrize("setting", ["pickup", "=x", "pickup=", "channel=left"])
def test_a_setting_that_is_none_is_refused(setting: str) -> None:
    with pytest.raises(BadDescription):
        parse_setting(setting)
