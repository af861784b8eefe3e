"""Files are written whole or not at all, and what is no file is written into, never replaced."""

from __future__ import annotations

import os
import stat
import sys
import threading
from pathlib import Path

import pytest

from coilbench.errors import NotSaved
from coilbench.whole_file import write_whole


def test_an_existing_file_stays_until_the_new_one_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old")

    def broken(partial: Path) -> None:
        partial.write_text("half")
        assert path.read_text() == "old"
        raise OSError(28, "No space left on device")

    with pytest.raises(NotSaved, match="No space left"):
        write_whole(path, broken)
    assert [file.name for file in tmp_path.iterdir()] == ["table.csv"]
    assert path.read_text() == "old"
    write_whole(path, lambda partial: partial.write_text("new"))
    assert path.read_text() == "new"


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_a_link_stays_a_link_and_its_target_gets_the_new_content(tmp_path: Path) -> None:
    target, link = tmp_path / "target.csv", tmp_path / "link.csv"
    target.write_text("old")
    link.symlink_to(target)
    write_whole(link, lambda partial: partial.write_text("new"))
    assert link.is_symlink()
    assert target.read_text() == "new"


@pytest.mark.skipif(sys.platform == "win32", reason="there are no named pipes in folders there")
def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[str] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_text()))
    reader.start()
    write_whole(pipe, lambda partial: partial.write_text("a table"))
    reader.join(10)
    assert read == ["a table"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert [file.name for file in tmp_path.iterdir()] == ["pipe"]


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(NotSaved, match="can't be written"):
        write_whole(tmp_path, lambda partial: partial.write_text("x"))
    assert list(tmp_path.iterdir()) == []
