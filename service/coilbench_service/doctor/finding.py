"""One thing that doctor found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["ok", "caution", "BROKEN"]


@dataclass(frozen=True)
class Finding:
    """What was found, why it matters, and what to do; of what is `ok` only the first.

    `caution`: works, and may not for long, or not as meant. `BROKEN`: to be mended; doctor ends with status 1.
    """

    level: Level
    name: str
    what: str
    why: str = ""
    do: str = ""

    def lines(self) -> list[str]:
        """To be printed."""
        said = [f"  {self.level:<8} {self.name}: {self.what}"]
        if self.why:
            said.append(f"           why: {self.why}")
        if self.do:
            said.append(f"           do:  {self.do}")
        return said


def ok(name: str, what: str) -> Finding:
    """Nothing to do."""
    return Finding("ok", name, what)
