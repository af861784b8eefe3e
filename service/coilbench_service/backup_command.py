"""`coilbench-server backup` and `coilbench-server restore`: what they print, and what is a failure."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench_service.backup import BackupFailed, backup
from coilbench_service.restore import RestoreRefused, restore
from coilbench_worker.configuration import Configuration
from coilbench_worker.passwords import masked
from coilbench_worker.store.database_copy import CopyFailed

FAILED = 1


def make(configuration: Configuration, folder: Path, *, whole: bool) -> int:
    """Copy, and say what was copied; returns the exit status."""
    try:
        manifest = backup(configuration, folder, whole=whole)
    except (BackupFailed, CopyFailed) as error:
        return _said(error, "No copy was made")
    click.echo(f"Copied to {folder}: {manifest.sentence()}.")
    if not manifest.lost:
        return 0
    click.echo(
        f"{len(manifest.lost)} recordings that takes name are missing or damaged in the store; {folder} has all but "
        "these, and its manifest lists them. Put them back from an older copy.",
        err=True,
    )
    return FAILED


def put_back(configuration: Configuration, folder: Path, *, whole: bool) -> int:
    """Put back, and say what; returns the exit status."""
    try:
        manifest = restore(configuration, folder, whole=whole)
    except RestoreRefused as error:
        return _said(error, "Nothing was changed")
    except (BackupFailed, CopyFailed) as error:
        return _said(error, "Not restored")
    click.echo(f"Restored from {folder}, as of {manifest.made}: {manifest.sentence()}.")
    if manifest.lost:
        click.echo(f"{len(manifest.lost)} recordings were lost before the copy was made; they are not back.", err=True)
    return 0


def _said(error: Exception, what: str) -> int:
    click.echo(masked(f"{what}: {error}."), err=True)
    return FAILED
