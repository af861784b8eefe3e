"""The shelf of excerpts: cut once, kept within bounds, as many at a time as there are places."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from coilbench_service import excerpt_shelf
from coilbench_service.excerpt_shelf import ExcerptShelf, NoPlace
from services import wait_until

WITHIN_S = 20.0


class Cutter:
    """Writes ten bytes; counts what it cut, and waits while it is held."""

    def __init__(self) -> None:
        self.cut: list[str] = []
        self.begun = threading.Semaphore(0)
        self.free = threading.Event()
        self.free.set()

    def __call__(self, into: Path) -> None:
        self.cut.append(into.stem)
        self.begun.release()
        assert self.free.wait(WITHIN_S)
        into.write_bytes(into.stem.encode().ljust(10))


@pytest.fixture
def shelf() -> Iterator[ExcerptShelf]:
    made = ExcerptShelf(places=2, most_bytes=25)
    yield made
    made.close()


def read(shelf: ExcerptShelf, name: str, cutter: Cutter) -> bytes:
    with shelf.open(name, cutter) as file:
        return file.read()


def test_excerpt_is_cut_once_and_the_longest_unused_goes_first(shelf: ExcerptShelf) -> None:
    cutter = Cutter()
    for name in ("a", "b", "a", "c", "a", "b"):
        assert read(shelf, name, cutter).strip() == name.encode()
    assert cutter.cut == ["a", "b", "c", "b"]


def test_those_who_ask_for_the_same_at_once_wait_for_one_cut(shelf: ExcerptShelf) -> None:
    cutter = Cutter()
    cutter.free.clear()
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(read, shelf, "a", cutter) for _ in range(4)]
        assert cutter.begun.acquire(timeout=WITHIN_S)
        cutter.free.set()
        assert {one.result(WITHIN_S) for one in asked} == {b"a".ljust(10)}
    assert cutter.cut == ["a"]


def test_no_more_are_cut_at_once_than_there_are_places(shelf: ExcerptShelf, monkeypatch: pytest.MonkeyPatch) -> None:
    cutter = Cutter()
    cutter.free.clear()
    with ThreadPoolExecutor(2) as pool:
        asked = [pool.submit(read, shelf, name, cutter) for name in "ab"]
        for _ in asked:
            assert cutter.begun.acquire(timeout=WITHIN_S)
        monkeypatch.setattr(excerpt_shelf, "PLACE_WITHIN_S", 0.05)
        with pytest.raises(NoPlace):
            shelf.open("c", cutter)
        monkeypatch.setattr(excerpt_shelf, "PLACE_WITHIN_S", WITHIN_S)
        monkeypatch.setattr(excerpt_shelf, "MOST_WAITING", 0)
        with pytest.raises(NoPlace):
            shelf.open("c", cutter)
        cutter.free.set()
        assert all(one.result(WITHIN_S) for one in asked)
    assert read(shelf, "c", cutter) == b"c".ljust(10)


def test_cut_that_fails_gives_its_place_back_and_leaves_nothing(shelf: ExcerptShelf) -> None:
    def fails(into: Path) -> None:
        into.write_bytes(b"half")
        folders.append(into.parent)
        raise ValueError("too loud")

    folders: list[Path] = []
    for _ in range(3):
        with pytest.raises(ValueError, match="too loud"):
            shelf.open("a", fails)
    assert list(folders[0].iterdir()) == []
    assert read(shelf, "a", Cutter()) == b"a".ljust(10)


def test_folder_that_was_tidied_away_is_made_again_and_goes_at_the_end(shelf: ExcerptShelf) -> None:
    cutter = Cutter()
    with shelf.open("a", cutter) as file:
        folder = Path(file.name).parent
    shutil.rmtree(folder)
    assert read(shelf, "a", cutter) == b"a".ljust(10)
    assert cutter.cut == ["a", "a"]
    shelf.close()
    assert not folder.exists()


def test_what_was_cut_of_a_recording_is_thrown_away_with_it(shelf: ExcerptShelf) -> None:
    cutter = Cutter()
    for name in ("a1", "a2", "b1"):
        read(shelf, name, cutter)
    shelf.forget("a")
    for name in ("b1", "a1"):
        read(shelf, name, cutter)
    assert cutter.cut == ["a1", "a2", "b1", "a1"]


def test_nothing_is_kept_for_long(shelf: ExcerptShelf) -> None:
    quick, cutter = ExcerptShelf(kept_for_s=0.05), Cutter()
    with quick.open("a", cutter) as file:
        path = Path(file.name)
    wait_until(lambda: not path.exists(), "the excerpt is thrown away")
    assert read(quick, "a", cutter).strip() == b"a"
    quick.close()
