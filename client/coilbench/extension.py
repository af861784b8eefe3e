"""What the extension of a file's name asks for."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from coilbench.errors import UnknownFormat

Form = TypeVar("Form")


def form_for(path: Path, forms: Mapping[str, Form], what: str) -> Form:
    """The form that a path's extension names.

    Parameters
    ----------
    path : where something is to be saved
    forms : by extension, lower case and with its dot
    what : such as `a table`

    Raises
    ------
    UnknownFormat : none of the forms
    """
    try:
        return forms[path.suffix.lower()]
    except KeyError:
        found = f"the extension {path.suffix}" if path.suffix else "no extension"
        raise UnknownFormat(f"{path} has {found}; {what} is saved as {', '.join(forms)}") from None
