"""Files that are written as a whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from coilbench.errors import NotSaved


def write_whole(path: Path, write: Callable[[Path], Any]) -> Path:
    """Write a file; all or nothing.

    Parameters
    ----------
    path : where to; an existing file is replaced once the new one is complete, one that a link leads to likewise; into
        a pipe or a device goes what was written, once that is complete
    write : writes it to the path that it is given

    Raises
    ------
    NotSaved : the folder is missing, the disk full, or the file open elsewhere
    """
    try:
        target = path.resolve()
        special = target.exists() and not target.is_file()
        folder = None if special else target.parent
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=folder)
        os.close(handle)
        partial = Path(name)
        try:
            write(partial)
            if special:
                with partial.open("rb") as written, target.open("wb") as pipe:
                    shutil.copyfileobj(written, pipe)
            else:
                partial.chmod(0o666 & ~_umask())
                partial.replace(target)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as cause:
        reason = cause.strerror or cause
        raise NotSaved(f"{path} can't be written: {reason}. Is the folder there, and the file not open?") from cause
    return path


def _umask() -> int:
    present = os.umask(0)
    os.umask(present)
    return present
