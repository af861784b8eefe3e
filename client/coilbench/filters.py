"""The filters with which takes and table rows are chosen."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TypedDict, cast

_ID = re.compile(r"[0-9A-Za-z-]{1,64}")


class TakeFilters(TypedDict, total=False):
    """Filters. Several states or ids are alternatives; `since` takes RFC 3339 text or a datetime."""

    state: str | Iterable[str] | None
    session: str | None
    pickup: str | None
    chain: str | None
    sha256: str | None
    since: str | datetime | None
    id: str | Iterable[str] | None


def names_no_take(filters: TakeFilters) -> bool:
    """Whether the ids asked for are an empty list, which the address of a question can't say.

    Parameters
    ----------
    filters : by name; ids that can be read only once are made a list
    """
    ids = filters.get("id")
    if ids is None or isinstance(ids, str):
        return False
    filters["id"] = ids = list(ids)
    return not ids


def may_be_id(text: str) -> bool:
    """Whether a take can have this id; the service refuses to look for any other text.

    Parameters
    ----------
    text : such as the key of a pickup
    """
    return _ID.fullmatch(text) is not None


def query_of(filters: TakeFilters) -> list[tuple[str, str]]:
    """The filters as parameters of an address.

    Parameters
    ----------
    filters : by name

    Raises
    ------
    TypeError : a name that is no filter
    """
    query: list[tuple[str, str]] = []
    for name, value in cast(Mapping[str, object], filters).items():
        if name not in TakeFilters.__annotations__:
            raise TypeError(f"{name!r} is no filter; there are {', '.join(TakeFilters.__annotations__)}")
        if value is None:
            continue
        if isinstance(value, datetime):
            query.append((name, value.astimezone(UTC).isoformat().replace("+00:00", "Z")))
        elif isinstance(value, str):
            query.append((name, value))
        else:
            query += [(name, str(one)) for one in cast(Iterable[object], value)]
    return query
