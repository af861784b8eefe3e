"""Whether this program and the tables it meets go together; what makes an upgrade without downtime possible.

Old and new processes run side by side on one database while hosts are upgraded. So a step of the tables only adds:
tables, columns that may be null or have a default, indexes. What goes away goes in two releases: the first stops using
it and raises `WORKS_UP_TO` by a hundred, the second removes it in a revision that begins that hundred. A program of
before the first release then refuses the tables instead of failing on them.
"""

from __future__ import annotations

from enum import Enum

WORKS_UP_TO = "0099"
"""The newest revision, known or not, that this program works with."""


class TablesUnfit(Exception):
    """This program can't work with the tables that are there; the message says why and what to do."""


class TablesBeyond(TablesUnfit):
    """The tables have gone further than this program can follow: only a newer program helps."""


class Standing(Enum):
    """How tables stand to a program: what it knows best, older, newer and still fit, or beyond it."""

    NONE = "none"
    OLDER = "older"
    OURS = "ours"
    NEWER = "newer"
    BEYOND = "beyond"


def standing(revision: str | None, known: list[str], works_up_to: str = WORKS_UP_TO) -> Standing:
    """How tables at a revision stand to a program that knows these revisions.

    Parameters
    ----------
    revision : of the tables, None where there are none
    known : every revision that the program has the steps of, oldest first
    """
    if revision is None:
        return Standing.NONE
    if revision in known:
        return Standing.OURS if revision == known[-1] else Standing.OLDER
    numbered = len(revision) == len(works_up_to) and revision.isdecimal()
    return Standing.NEWER if numbered and known[-1] < revision <= works_up_to else Standing.BEYOND
