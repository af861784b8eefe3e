"""Strums to be listened to one after another: which of them, in which order, under which names."""

from __future__ import annotations

import random
import re
import string
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from statistics import median
from typing import Any

from coilbench.answer import table_of_rows
from coilbench.left_out import LeftOut
from coilbench.table import Column, Row, Table

LOUDNESS = "loudness_lufs"
CAUTION = (
    "Start with the volume down and raise it slowly: levels may differ by tens of dB, and loud playback harms hearing "
    "and loudspeakers. How loud and how long one may listen, local rules for noise say."
)
LONGEST_PART = 60
"""Characters of a file's name that one text may take: systems end at 255 bytes."""
COLUMNS = (
    Column("file", "File"),
    Column("subject", "Pickup or take"),
    Column("label", "Label of the take"),
    Column("take", "Take"),
    Column("strum", "Number of the strum"),
    Column(LOUDNESS, "Loudness as recorded", "LUFS"),
    Column("gain_db", "Gain", "dB"),
)


@dataclass(frozen=True)
class Excerpt:
    """One strum saved as a file.

    Attributes
    ----------
    file : where it is
    subject : key of the pickup, or id of the take
    take, label, strum : whose strum it is, and its number
    loudness_lufs : as recorded, LUFS
    gain_db : applied, dB; 0 as recorded
    """

    file: Path
    subject: str
    take: str
    label: str
    strum: int
    loudness_lufs: float
    gain_db: float

    def row(self) -> dict[str, Any]:
        """The excerpt as a row of a table."""
        return {**vars(self), "file": self.file.name, "gain_db": round(self.gain_db, 4)}


@dataclass(frozen=True)
class Listening:
    """Strums to be listened to; iterates over the excerpts in their order.

    Attributes
    ----------
    folder : where they are, with `list.csv` and a playlist
    match_lufs : their common loudness, LUFS; None: as recorded
    excerpts : in the order of the files
    left_out : what can't be listened to, and why
    key : the file that says which is which, when the names don't; else None
    """

    folder: Path
    match_lufs: float | None
    excerpts: tuple[Excerpt, ...]
    left_out: tuple[LeftOut, ...] = ()
    key: Path | None = None

    def __iter__(self) -> Iterator[Excerpt]:
        return iter(self.excerpts)

    def __len__(self) -> int:
        return len(self.excerpts)

    def table(self) -> Table:
        """Which file is what, with its loudness and gain."""
        return table_of_rows([excerpt.row() for excerpt in self.excerpts], COLUMNS)


def chosen(rows: Sequence[Row], strums: int) -> list[Row]:
    """The strums that stand for a subject: those whose loudness is nearest to the median, in the order of the rows.

    Parameters
    ----------
    rows : strums with a loudness, one at least
    strums : how many are wanted; fewer where there are fewer
    """
    middle = median(float(row[LOUDNESS]) for row in rows)
    nearest = sorted(range(len(rows)), key=lambda place: (abs(float(rows[place][LOUDNESS]) - middle), place))
    return [rows[place] for place in sorted(nearest[:strums])]


def telling_names(picked: Sequence[tuple[str, Row]]) -> list[str]:
    """Names of files that say what is in them, and sort as they are to be heard.

    Parameters
    ----------
    picked : subject and strum of each
    """
    digits = max(2, len(str(len(picked))))
    names = []
    for place, (subject, row) in enumerate(picked, 1):
        parts = [_plain(str(row.get("pickup") or "")), _plain(label_of(row)), f"strum {row['strum']}"]
        names.append(f"{place:0{digits}} {' - '.join(part for part in parts if part) or _plain(subject)}.wav")
    return names


def blind_names(count: int) -> list[str]:
    """A.wav, B.wav, ...; AA.wav after Z.wav, with as many letters in all of them.

    Parameters
    ----------
    count : how many
    """
    letters = 1
    while len(string.ascii_uppercase) ** letters < count:
        letters += 1
    names = []
    for place in range(count):
        name = ""
        for _ in range(letters):
            place, letter = divmod(place, len(string.ascii_uppercase))
            name = string.ascii_uppercase[letter] + name
        names.append(f"{name}.wav")
    return names


def shuffled(picked: Sequence[tuple[str, Row]], chance: random.Random | None) -> list[tuple[str, Row]]:
    """The same in an order that nobody knows.

    Parameters
    ----------
    picked : any
    chance : source of the order; None: that of the system
    """
    return (chance or random.SystemRandom()).sample(list(picked), len(picked))


def label_of(row: Mapping[str, Any]) -> str:
    """What a strum's take is called: its label, else the name of its file."""
    return str(row.get("label") or PurePath(str(row.get("file") or "")).stem or row["take"])


def _plain(text: str) -> str:
    """A text as a part of a file's name on any system."""
    kept = re.sub(r"[^\w .,()+-]", "_", unicodedata.normalize("NFC", text))
    return kept[:LONGEST_PART].strip(" .")
