"""Which files to send: folders, patterns and names become a list of recordings."""

from __future__ import annotations

import glob
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from coilbench.errors import NothingToSend

SOUND_SUFFIXES = frozenset({".wav", ".wave", ".rf64", ".flac", ".aif", ".aiff"})

What = str | Path | Iterable[str | Path]


@dataclass(frozen=True)
class Selection:
    """What was found.

    Attributes
    ----------
    files : recordings, each once, in order of name (2 before 10) within a folder or pattern
    passed_over : what lies in the given folders or fits a pattern and is no sound file by its extension
    """

    files: tuple[Path, ...]
    passed_over: tuple[Path, ...] = ()


def select(what: What) -> Selection:
    """Find the recordings meant.

    A folder gives the sound files directly in it (not those of its folders, nor hidden ones); a pattern with `*`, `?`
    or `[` gives the sound files that fit, or all that fit when it names an extension itself; a file named as such is
    taken whatever its extension.

    Parameters
    ----------
    what : a folder, a pattern, a file, or several of them

    Raises
    ------
    NothingToSend : a name that is not there, or a pattern that nothing fits
    """
    wanted = [what] if isinstance(what, str | Path) else list(what)
    files: dict[Path, Path] = {}
    passed_over: list[Path] = []
    for item in wanted:
        path = Path(item)
        if path.is_dir():
            for inner in sorted(path.iterdir(), key=_natural):
                if is_recording(inner):
                    files.setdefault(inner.resolve(), inner)
                elif not inner.name.startswith("."):
                    passed_over.append(inner)
        elif path.exists():
            files.setdefault(path.resolve(), path)
        else:
            for inner in _fitting(str(item)):
                if is_recording(inner) or inner.suffix == Path(item).suffix:
                    files.setdefault(inner.resolve(), inner)
                else:
                    passed_over.append(inner)
    return Selection(tuple(files.values()), tuple(passed_over))


def is_recording(path: Path) -> bool:
    """Whether this is a sound file by its extension, and not hidden.

    Parameters
    ----------
    path : any
    """
    return path.suffix.lower() in SOUND_SUFFIXES and not path.name.startswith(".") and path.is_file()


def _fitting(pattern: str) -> list[Path]:
    if not glob.has_magic(pattern):
        raise NothingToSend(f"There is no file or folder {pattern}")
    names = glob.glob(pattern, recursive=True)  # noqa: PTH207
    found = sorted((Path(name) for name in names if Path(name).is_file()), key=_natural)
    if not found:
        raise NothingToSend(f"No file fits {pattern}")
    return found


def _natural(path: Path) -> list[tuple[bool, int, str]]:
    """Key that sorts numbers in names by their value."""
    parts = re.findall(r"[0-9]+|[^0-9]+", str(path).lower())
    return [(not part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts]
