"""Manifests: what may stand in them, and faults with their line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench import BadManifest
from coilbench.manifest import read_manifest


def manifest(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "takes.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_fields_are_read_by_their_kind(tmp_path: Path) -> None:
    text = (
        "file,label,input_gain_db,battery_v,expected_strums,channel,tags,weather\n"
        'a.wav,"First, clean",-6.5,9,4,2,dry;new strings ; ,warm\n'
    )
    (entry,) = read_manifest(manifest(tmp_path, text)).entries
    assert entry.line == 2
    assert entry.file == tmp_path / "a.wav"
    assert entry.about == {
        "label": "First, clean",
        "input_gain_db": -6.5,
        "battery_v": 9.0,
        "expected_strums": 4,
        "channel": 2,
        "tags": ["dry", "new strings"],
        "weather": "warm",
    }
    assert isinstance(entry.about["expected_strums"], int)


def test_empty_cells_and_lines_say_nothing(tmp_path: Path) -> None:
    text = "file,label,pick,\n\na.wav,,1.0 mm\n,,,\nb.wav\n"
    first, second = read_manifest(manifest(tmp_path, text)).entries
    assert first.about == {"pick": "1.0 mm"}
    assert second.about == {}
    assert (first.line, second.line) == (3, 5)


@pytest.mark.parametrize("separator", [";", "\t", ","])
def test_separator_and_byte_order_mark_are_recognised(tmp_path: Path, separator: str) -> None:
    text = separator.join(["file", "label", "tags"]) + "\r\n" + separator.join(["a.wav", "Grüße", '"x;y"']) + "\r\n"
    (entry,) = read_manifest(manifest(tmp_path, text, "utf-8-sig")).entries
    assert entry.about == {"label": "Grüße", "tags": ["x", "y"]}


def test_a_decimal_comma_is_read_where_semicolons_separate(tmp_path: Path) -> None:
    (entry,) = read_manifest(manifest(tmp_path, "file;input_gain_db\na.wav;7,5\n")).entries
    assert entry.about == {"input_gain_db": 7.5}


def test_files_lie_relative_to_the_manifest_also_with_backslashes(tmp_path: Path) -> None:
    (tmp_path / "day one").mkdir()
    (tmp_path / "day one" / "a.wav").write_bytes(b"x")
    (entry,) = read_manifest(manifest(tmp_path, "file\nday one\\a.wav\n")).entries
    assert entry.file.read_bytes() == b"x"


def test_all_faults_are_told_at_once_with_line_and_column(tmp_path: Path) -> None:
    text = "file,battery_v,expected_strums\na.wav,nine,4\nb.wav,9,4.5\n,9,4\nc.wav,9,4,more\nd.wav,inf,0\n"
    with pytest.raises(BadManifest) as caught:
        read_manifest(manifest(tmp_path, text))
    assert [fault.split(". ")[0] for fault in caught.value.faults] == [
        "line 2, column `battery_v`: battery_v must be a number, such as 12.5; found 'nine'",
        "line 3, column `expected_strums`: expected_strums must be a whole number from 1 up; found '4.5'",
        "line 4, column `file`: empty",
        "line 5: 4 cells under 3 columns",
        "line 6, column `battery_v`: battery_v must be a number, such as 12.5; found 'inf'",
        "line 6, column `expected_strums`: expected_strums must be a whole number from 1 up; found '0'",
    ]
    assert str(caught.value).startswith(f"{tmp_path / 'takes.csv'}: line 2")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("name,label\na.wav,x\n", "line 1: no column `file`; found name, label"),
        ("file,label,label\na.wav,x,y\n", "line 1: column `label` stands there twice"),
        ("file,,label\na.wav,x,y\n", "line 1, column 2: the column has no name"),
        ("", "is empty"),
        ('file,label\na.wav,"x\n', "line 2: .*quotation marks"),
    ],
)
def test_a_head_that_is_wrong_is_told(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(BadManifest, match=fault):
        read_manifest(manifest(tmp_path, text))


def test_another_encoding_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadManifest, match="not UTF-8"):
        read_manifest(manifest(tmp_path, "file,label\na.wav,Grüße\n", "latin-1"))


def test_a_manifest_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadManifest, match="can't be opened: No such file"):
        read_manifest(tmp_path / "gone.csv")
