"""The client's calls that fetch strums as sound; `Client` has them."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from urllib.parse import quote

from coilbench.calls import PAGE, Calls, finite
from coilbench.comparing_calls import Named, subject_of, subjects_of
from coilbench.download import download
from coilbench.errors import BadDescription, NoCommonLevel, NothingToHear, NotSaved, TooLoud
from coilbench.filters import may_be_id
from coilbench.left_out import LeftOut
from coilbench.listening import (
    LOUDNESS,
    Excerpt,
    Listening,
    blind_names,
    chosen,
    label_of,
    shuffled,
    telling_names,
)
from coilbench.progress import counted_progress
from coilbench.sent import Sent
from coilbench.table import Row
from coilbench.take import Take

EXAMPLES = 3
"""Names in a message; of more, the rest is counted."""


class ListeningCalls(Calls):
    """What a client asks to be heard. Start with the volume down: levels may differ by tens of dB, and loud playback
    harms hearing; for how loud and how long one may listen, see the local rules for noise.
    """

    def strum_audio(
        self, take: str | Take | Sent, number: int, match_lufs: float | None = None, path: str | Path | None = None
    ) -> Path:
        """Save one strum as WAV: 24 bits, the measured channel, from just before the onset to its end.

        Start with the volume down: as recorded, strums may differ by tens of dB.

        Parameters
        ----------
        take : its id, as it was last seen, or as it was sent
        number : of the strum in the measurement, from 1
        match_lufs : loudness to bring it to, such as -23; None: as recorded
        path : file to write, replaced once the new one is complete, or a folder that is there; None: the present one

        Returns
        -------
        The file

        Raises
        ------
        TooLoud : it would pass full scale; carries the greatest loudness that fits
        Unprocessable : the take was rejected, or the strum has no loudness
        Conflict : the take is not measured yet
        NotFound : there is no such take, or strum
        NotSaved : it can't be written there
        """
        id = subject_of(take)
        target = Path(path) if path is not None else Path()
        if target.is_dir():
            level = "" if match_lufs is None else f" at {match_lufs:g} LUFS"
            target /= f"{id} strum {number}{level}.wav"
        query = [] if match_lufs is None else [("match_lufs", str(finite({"match_lufs": match_lufs})["match_lufs"]))]
        address = f"/v1/takes/{quote(id, safe='')}/strums/{number}/audio"
        return download(self._transport, address, target, query=query, accept="audio/wav")

    def listen(
        self,
        subjects: Named | Iterable[Named] | None = None,
        match_lufs: float | None = -23.0,
        folder: str | Path = "listening",
        *,
        strums: int = 1,
        blind: bool = False,
        session: str | None = None,
        chance: random.Random | None = None,
        progress: bool = False,
    ) -> Listening:
        """Save strums of pickups or takes at one loudness, to be listened to one after another.

        Each subject is heard by the strum whose loudness is the median of its own. Start with the volume down; with
        match_lufs=None strums may differ by tens of dB.

        Parameters
        ----------
        subjects : pickups by key or sheet, or takes; None for every pickup, and every take without one
        match_lufs : loudness of all, LUFS; None: as recorded
        folder : new or empty; gets the files, `list.csv` and the playlist `list.m3u8`
        strums : of each subject
        blind : files are called A, B, C, in an order that nobody knows; `FOLDER-key.csv` beside the folder says which
            is which
        session : only takes of this session
        chance : source of the order of a blind test; None: that of the system
        progress : a bar on standard error when that is a terminal

        Raises
        ------
        NothingToHear : no subject has a measured strum
        NoCommonLevel : at this loudness one would pass full scale; carries the greatest that fits all. Nothing is saved
        NotSaved : the folder can't be written, or has files already
        BadDescription : a file that was not sent; fewer than 1 strum
        """
        if strums < 1:
            raise BadDescription(f"strums must be 1 or more; found {strums}")
        picked, left_out = self._picked(subjects, strums, session)
        if blind:
            picked = shuffled(picked, chance)
        names = blind_names(len(picked)) if blind else telling_names(picked)
        folder = _empty(Path(folder))
        excerpts = tuple(
            Excerpt(
                file=folder / name,
                subject=subject,
                take=str(row["take"]),
                label=label_of(row),
                strum=int(row["strum"]),
                loudness_lufs=float(row[LOUDNESS]),
                gain_db=0.0 if match_lufs is None else match_lufs - float(row[LOUDNESS]),
            )
            for name, (subject, row) in zip(names, picked, strict=True)
        )
        key = folder.with_name(f"{folder.name}-key.csv") if blind else None
        if key is not None and key.exists():
            raise NotSaved(f"{key} is there already: the key of another test. Name another folder.")
        listening = Listening(folder, match_lufs, excerpts, tuple(left_out), key)
        self._save(listening, progress=progress)
        return listening

    def _picked(
        self, subjects: Named | Iterable[Named] | None, strums: int, session: str | None
    ) -> tuple[list[tuple[str, Row]], list[LeftOut]]:
        """Subjects with the strums that stand for them, and what can't be heard."""
        rows_of = self._rows_of(subjects_of(subjects), session)
        picked: list[tuple[str, Row]] = []
        left_out = []
        for subject, rows in rows_of.items():
            usable = [row for row in rows if row.get("usable") is not False or row["take"] == subject]
            heard = [row for row in usable if row.get(LOUDNESS) is not None]
            if heard:
                picked += [(subject, row) for row in chosen(heard, strums)]
            else:
                left_out.append(LeftOut("", subject, _why(rows, usable)))
        if not picked:
            which = "; ".join(f"{one.subject}: {one.reason}" for one in left_out[:EXAMPLES])
            raise NothingToHear(
                f"There is no strum to listen to{f' ({which})' if which else ''}. `coilbench table --per strum` shows "
                "those that were measured."
            )
        return picked, left_out

    def _rows_of(self, keys: Sequence[str] | None, session: str | None) -> dict[str, list[Row]]:
        """The measured strums of each subject; of all there are when no key is given."""
        found: dict[str, list[Row]] = {}
        if keys is None:
            for row in self._strums(session):
                found.setdefault(str(row.get("pickup") or row["take"]), []).append(row)
            return found
        for key in keys:
            rows = self._strums(session, id=key) if may_be_id(key) else []
            found[key] = rows or self._strums(session, pickup=key)
        return found

    def _strums(self, session: str | None, **chosen_by: str) -> list[Row]:
        query = [("per", "strum"), ("format", "json"), ("quantities", LOUDNESS), *chosen_by.items(), ("limit", PAGE)]
        if session is not None:
            query.append(("session", session))
        return [row for row in self._transport.lines("/v1/table", query) if row.get("strum") is not None]

    def _save(self, listening: Listening, *, progress: bool) -> None:
        """Fetch every excerpt, then put all of them in their place: all or nothing."""
        folder = listening.folder
        refused: list[tuple[Excerpt, TooLoud]] = []
        try:
            with (
                tempfile.TemporaryDirectory(prefix=".listening-", dir=folder) as name,
                counted_progress("fetching", shown=progress, total=len(listening)) as done,
            ):
                for excerpt in listening:
                    target = Path(name) / excerpt.file.name
                    try:
                        self.strum_audio(excerpt.take, excerpt.strum, listening.match_lufs, target)
                    except TooLoud as error:
                        refused.append((excerpt, error))
                    done(excerpt)
                if refused:
                    raise _no_common_level(listening, refused)
                for excerpt in listening:
                    (Path(name) / excerpt.file.name).replace(excerpt.file)
            table = listening.table()
            if listening.key is not None:
                table.save(listening.key)
                table = type(table)(table.per, table.columns[:1], tuple({"file": row["file"]} for row in table))
            table.save(folder / "list.csv")
            lines = ["#EXTM3U", *(excerpt.file.name for excerpt in listening)]
            (folder / "list.m3u8").write_text("\n".join(lines) + "\n", encoding="utf-8")
        except NotSaved:
            raise
        except OSError as cause:
            raise NotSaved(f"{folder} can't be written: {cause.strerror or cause}.") from cause


def _empty(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise NotSaved(f"{folder} has files already, and strums of two tests would mix. Name another folder.")
    except (FileExistsError, NotADirectoryError, PermissionError) as cause:
        raise NotSaved(f"{folder} can't be made: {cause.strerror}. Name another folder.") from cause
    return folder.absolute() if folder.name in ("", "..") else folder


def _why(rows: Sequence[Row], usable: Sequence[Row]) -> str:
    if not rows:
        return "no measured take of this pickup, or no such take"
    return "none of its strums has a loudness" if usable else "none of its takes is usable"


def _no_common_level(listening: Listening, refused: Sequence[tuple[Excerpt, TooLoud]]) -> NoCommonLevel:
    levels = [error.greatest_match_lufs for _, error in refused]
    greatest = None if None in levels else min(level for level in levels if level is not None)
    names = [f"{excerpt.label}, strum {excerpt.strum}" for excerpt, _ in refused[:EXAMPLES]]
    if len(refused) > EXAMPLES:
        names.append(f"and {len(refused) - EXAMPLES} more")
    at = "As recorded" if listening.match_lufs is None else f"At {listening.match_lufs:g} LUFS"
    advice = "Leave them out." if greatest is None else f"{greatest:g} LUFS is the greatest loudness that fits all."
    return NoCommonLevel(
        f"{at} {len(refused)} of {len(listening)} strums would pass full scale ({'; '.join(names)}). {advice}", greatest
    )
