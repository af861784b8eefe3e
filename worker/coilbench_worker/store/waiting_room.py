"""Where recordings for a far store wait on this machine while they come in."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def waiting_room() -> Path:
    """The folder, in the system's folder for temporary files; made if it is not there, for this account alone.

    Raises
    ------
    PermissionError : somebody else made it
    """
    account = os.getuid() if hasattr(os, "getuid") else None
    folder = Path(tempfile.gettempdir()) / (
        "coilbench-incoming" if account is None else f"coilbench-incoming-{account}"
    )
    folder.mkdir(mode=0o700, exist_ok=True)
    if account is not None and folder.lstat().st_uid != account:
        raise PermissionError(f"{folder} belongs to another account; remove it, or set TMPDIR to a folder of your own")
    return folder
