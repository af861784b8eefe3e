"""Symbolic links that somebody laid into the folder of the data, and who may look into it."""

from __future__ import annotations

import hashlib
import os
import stat
import sys
import time
from pathlib import Path

import pytest

from coilbench_worker.store.blob_place import INCOMING
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database

CONTENT = b"a recording"
SHA256 = hashlib.sha256(CONTENT).hexdigest()
posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps rights in another way, and links for few")


@pytest.fixture
def other(tmp_path: Path) -> Path:
    """A file of somebody else, to which a link leads."""
    path = tmp_path / "other"
    path.write_bytes(b"mine")
    return path


def _kept(blobs: Blobs) -> str:
    with blobs.incoming() as incoming:
        incoming.write(CONTENT)
        return incoming.keep()


@posix
def test_a_link_in_the_place_of_a_recording_is_replaced_and_not_written_through(
    tmp_path: Path, blobs: Blobs, other: Path
) -> None:
    place = tmp_path / "audio" / SHA256[:2] / SHA256
    place.parent.mkdir(parents=True)
    place.symlink_to(other)
    _kept(blobs)
    assert not place.is_symlink()
    assert (place.read_bytes(), other.read_bytes()) == (CONTENT, b"mine")


@posix
def test_clearing_away_and_deleting_take_the_link_and_leave_what_it_leads_to(
    tmp_path: Path, blobs: Blobs, other: Path
) -> None:
    key = _kept(blobs)
    link = tmp_path / "audio" / INCOMING / "old.part"
    link.symlink_to(other)
    an_hour_ago = time.time() - 3600
    os.utime(link, (an_hour_ago, an_hour_ago), follow_symlinks=False)
    assert blobs.drop_stale(60) == 1
    place = tmp_path / "audio" / key
    place.unlink()
    place.symlink_to(other)
    blobs.delete(key)
    assert not os.path.lexists(link)
    assert not os.path.lexists(place)
    assert other.read_bytes() == b"mine"


@posix
def test_the_sweeper_follows_no_link_to_another_folder(tmp_path: Path, blobs: Blobs) -> None:
    _kept(blobs)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / ("ab" + "0" * 62)).write_bytes(b"mine")
    (tmp_path / "audio" / "ab").symlink_to(elsewhere)
    assert list(blobs.older_than(-60)) == [f"{SHA256[:2]}/{SHA256}"]


@posix
def test_a_fresh_folder_of_data_is_for_its_owner_alone(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    database = Database(f"sqlite:///{folder / 'coilbench.sqlite'}")
    database.migrate()
    database.close()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
