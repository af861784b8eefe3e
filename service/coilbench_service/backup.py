"""A copy of everything that is kept, in a folder, made while the service runs.

Recordings first, then the database, then the recordings that came meanwhile: so every take in the copy has its
recording. The manifest is written last; a folder without one is no copy.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from sqlalchemy import select

from coilbench_service.copied_recordings import copy_recordings, unsound
from coilbench_service.readiness import NotMigrated
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import database_copy
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.clock import now
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import files

MANIFEST = "manifest.json"
AUDIO = "audio"
FORM = 1
AGES_S = 100 * 365 * 86400.0
"""Ahead of any clock: what is older than minus so much is everything."""
ROUNDS = 5
"""Takes may be deleted while they are copied; then the database is copied again, so often at most."""


class BackupFailed(Exception):
    """There is no copy, or not a good one; the message says why and what to do."""


@dataclass(frozen=True)
class Manifest:
    """What a copy holds. `lost` are keys of recordings that takes name and the store no longer had whole."""

    form: int
    coilbench: str
    made: str
    database: str
    database_sha256: str
    revision: str
    rows: dict[str, int]
    recordings: int
    bytes: int
    lost: list[str]

    def sentence(self) -> str:
        """For people."""
        return f"{self.rows['takes']} takes, {self.recordings} recordings ({self.bytes / 1e6:.1f} MB)"


def backup(configuration: Configuration, folder: Path, *, whole: bool = False) -> Manifest:
    """Copy database and recordings into a folder that is empty or not there yet.

    Parameters
    ----------
    whole : read the copied recordings through once more and compare their SHA-256

    Raises
    ------
    BackupFailed, CopyFailed, NotMigrated
    OSError : the folder can't be written, or the store of recordings can't be reached
    """
    if folder.exists() and any(folder.iterdir()):
        raise BackupFailed(f"the folder {folder} is not empty; name one that is, or that is not there yet")
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    folder.chmod(0o700)
    database, blobs, audio = Database(configuration.database), Blobs.of(configuration), Blobs(str(folder / AUDIO))
    try:
        if not database.made or database.revision() is None:
            raise NotMigrated("there is no database with tables to be copied; see COILBENCH_DATABASE_URL")
        path = folder / database_copy.file_name(database)
        made, contents, lost = _copied(database, blobs, audio, path)
    finally:
        blobs.close()
        database.close()
    for key in set(audio.older_than(-AGES_S)) - contents.recordings.keys():  # of takes that were deleted meanwhile
        audio.delete(key)
    sound = {key: size for key, size in contents.recordings.items() if key not in lost}
    faulty = unsound(audio, sound, whole=whole)
    if faulty:
        raise BackupFailed(
            f"{len(faulty)} recordings in the copy are not what was copied ({_named(faulty)}); "
            f"see to the disk of {folder}"
        )
    manifest = Manifest(
        form=FORM,
        coilbench=version("coilbench"),
        made=made.isoformat(timespec="seconds"),
        database=path.name,
        database_sha256=sha256_of(path),
        revision=contents.revision or "",
        rows=contents.rows,
        recordings=len(sound),
        bytes=sum(sound.values()),
        lost=sorted(lost),
    )
    (folder / MANIFEST).write_text(json.dumps(asdict(manifest), indent=2) + "\n", "utf-8")
    return manifest


def _copied(
    database: Database, blobs: Blobs, audio: Blobs, path: Path
) -> tuple[datetime, database_copy.Contents, set[str]]:
    """When the database was copied, what the copy holds, and what of it the store does not have."""
    copy_recordings(blobs, audio, _known(database))
    for _ in range(ROUNDS):
        path.unlink(missing_ok=True)
        with database.read() as connection:
            made = now(connection)
        contents = database_copy.copy_out(database, path)
        copied = copy_recordings(blobs, audio, contents.recordings)
        lost = {*copied.lost, *copied.damaged}
        if lost <= _known(database):
            return made, contents, lost
    raise BackupFailed("takes are deleted faster than they can be copied; try again when less is going on")


def _known(database: Database) -> set[str]:
    with database.read() as connection:
        return set(connection.execute(select(files.c.blob)).scalars())


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a copy.

    Raises
    ------
    BackupFailed : the folder holds no whole copy, or one that a newer version made
    """
    try:
        values = json.loads((folder / MANIFEST).read_text("utf-8"))
        if values["form"] != FORM:
            raise BackupFailed(f"the copy in {folder} has form {values['form']}; this version reads form {FORM}")
        return Manifest(**values)
    except FileNotFoundError as error:
        raise BackupFailed(f"{folder} has no {MANIFEST}: it is no copy, or one that was broken off") from error
    except (ValueError, KeyError, TypeError) as error:
        raise BackupFailed(f"{folder / MANIFEST} can't be read ({error}); take another copy") from error


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _named(keys: Iterable[str]) -> str:
    some = sorted(keys)
    return ", ".join(key.rpartition("/")[2][:12] for key in some[:5]) + (" ..." if len(some) > 5 else "")
