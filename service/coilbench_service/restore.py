"""A copy (backup.py) put back into an empty place: recordings, then the database, then what must not be as it was.

Nothing is ever put over takes: where the database holds something the copy is refused, and whoever wants it there moves
the old one away first.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import delete, select

from coilbench_service.backup import AGES_S, AUDIO, BackupFailed, Manifest, read_manifest, sha256_of
from coilbench_service.copied_recordings import copy_recordings, unsound
from coilbench_service.readiness import NODE_SILENT_S
from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import database_copy, migration, nodes, ownership
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import nodes as node_table
from coilbench_worker.store.schema import sign_ins
from coilbench_worker.store.states import MEASURING


class RestoreRefused(Exception):
    """Nothing was changed; the message says why and what to do."""


def restore(configuration: Configuration, folder: Path, *, whole: bool = False) -> Manifest:
    """Put back the copy in a folder, and bring the tables to this version.

    Takes that were being measured when the copy was made wait again, without loss of an attempt. Browsers have to sign
    in again. Keys are those of the copy.

    Parameters
    ----------
    whole : read the recordings in the store through once more and compare their SHA-256

    Raises
    ------
    BackupFailed : the copy is not whole
    RestoreRefused, CopyFailed
    OSError : the store of recordings can't be reached
    """
    manifest = read_manifest(folder)
    database, blobs, audio = Database(configuration.database), Blobs.of(configuration), Blobs(str(folder / AUDIO))
    try:
        path = folder / manifest.database
        _require_fit(database, manifest, path)
        database_copy.make_folder(database)  # before recordings make one in it that all may read
        copied = copy_recordings(audio, blobs, audio.older_than(-AGES_S))
        if copied.damaged:
            raise BackupFailed(
                f"{len(copied.damaged)} recordings of the copy in {folder} are damaged; take another copy"
            )
        database_copy.copy_in(database, path)
        database.migrate()
        _settle(database)
        with database.read() as connection:
            wanted = database_copy.contents(connection).recordings
        expected = {key: size for key, size in wanted.items() if key not in manifest.lost}
        faulty = unsound(blobs, expected, whole=whole)
    finally:
        blobs.close()
        database.close()
    if faulty:
        raise BackupFailed(
            f"the database was put back, but {len(faulty)} recordings are missing or not whole in the store; "
            "their takes can't be measured again. See whether the folder of the copy is whole"
        )
    return manifest


def _require_fit(database: Database, manifest: Manifest, path: Path) -> None:
    if database_copy.file_name(database) != manifest.database:
        kind = "SQLite" if manifest.database.endswith(".sqlite") else "PostgreSQL"
        raise RestoreRefused(
            f"the copy is of {kind}, and the settings name {database.url.get_backend_name()}; "
            f"set COILBENCH_DATABASE_URL to an empty {kind} database"
        )
    if manifest.revision not in migration.known():
        raise RestoreRefused(
            f"the copy is of tables at revision {manifest.revision}, which this version does not know; "
            f"install coilbench {manifest.coilbench} or newer"
        )
    if not path.is_file() or sha256_of(path) != manifest.database_sha256:
        raise BackupFailed(f"{path} is missing or not what was written; take another copy")
    held = database_copy.held(database)
    if held:
        raise RestoreRefused(
            f"the database holds something already ({', '.join(held)}), and nothing is put over it; move it away "
            "(another file, another database) or name an empty one in COILBENCH_DATABASE_URL"
        )
    if database.made and database.revision() is not None:
        with database.read() as connection:
            present = nodes.present(connection, NODE_SILENT_S)
        if present:
            raise RestoreRefused(
                f"a worker uses this database ({present[0].name}); stop the service and all workers, and try again "
                f"{NODE_SILENT_S:g} s later"
            )


def _settle(database: Database) -> None:
    """What was the case when the copy was made and no longer is."""
    with database.read() as connection:
        holders = connection.execute(select(job_table.c.worker).where(job_table.c.state == MEASURING).distinct())
        workers = [worker for worker in holders.scalars() if worker is not None]
    for worker in workers:
        jobs.hand_back_all(database, worker)
    ownership.forget(database)  # the database that the copy is of may live on, and with it its store
    with database.write() as connection:
        connection.execute(delete(node_table))
        connection.execute(delete(sign_ins))
