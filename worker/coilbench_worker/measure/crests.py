"""Crests near the extreme of a take: rounded as strings make them, or cut off by an input that was overdriven.

A wave that is smooth where it is greatest is a parabola there, and lies within 1 % of its crest for a third (1 over the
root of 10) of the time for which it lies within 10 %, whatever it is: less where other partials ride on it. A wave that
was cut off lies there for most of that time, at the same level period after period; and still does so, if less, when
the cut is soft, tilts in the coupling after it, ripples in the converter's filter or disappears in its noise.
"""

from dataclasses import dataclass, field

import numpy as np

from coilbench_worker.measure.source import FloatArray

NEAR = 0.98
"""Share of the extreme that a crest must reach to count."""
SEARCHED_FROM = 0.87
"""Share of a block's extreme down to which samples are looked at: 10 % below every crest that may count."""
TOP, FLANK = 0.99, 0.90
BLUNT = 0.5
"""Median share of the flank's time that the tops must take up: 0.32 for a parabola; the bluntest clean take of 750 had
0.42, a preamp near its ceiling."""
CRESTS_NEEDED = 6
MOST_CRESTS = 10_000
"""More than enough to tell, and little to keep; those that follow are not counted."""
FLANK_SAMPLES = 5
"""Fewer samples than this within 10 % can't tell a round crest from a blunt one."""


@dataclass(frozen=True, slots=True)
class Crest:
    """One crest: first sample and number of those within 1 % of it, number within 10 %, value (full scale = 1.0)."""

    start: int
    top: int
    flank: int
    value: float


@dataclass(slots=True)
class Crests:
    """Feed consecutive blocks of one channel, then ask about the crests of one sign.

    A block counts when it reaches nearly as high as those before it, so that few do; a crest that two blocks share is
    seen as two.
    """

    sign: float = 1.0
    _at: int = 0
    _high: float = 0.0
    _crests: list[Crest] = field(default_factory=list)

    def feed(self, block: FloatArray, high: float) -> None:
        """Take the next block, shape (n,), and its greatest sample times the sign."""
        if high > 0.0 and high >= NEAR * self._high:
            if high > self._high:
                self._high = high
                self._crests = [crest for crest in self._crests if crest.value >= NEAR * high]
            if len(self._crests) < MOST_CRESTS:
                self._crests += self._found(self.sign * block, high)
        self._at += block.size

    def blunt(self) -> tuple[Crest, ...]:
        """The crests within 2 % of the extreme where they are cut off; empty where they are round, too few or too
        brief to tell.
        """
        crests = [crest for crest in self._crests if crest.value >= NEAR * self._high]
        if len(crests) < CRESTS_NEEDED or np.median([crest.flank for crest in crests]) < FLANK_SAMPLES:
            return ()
        return tuple(crests) if np.median([crest.top / crest.flank for crest in crests]) >= BLUNT else ()

    def _found(self, block: FloatArray, high: float) -> list[Crest]:
        index = np.flatnonzero(block >= SEARCHED_FROM * high)
        value = block[index]
        first = np.flatnonzero(np.diff(index, prepend=-2) > 1)
        greatest = np.maximum.reduceat(value, first)
        own = np.repeat(greatest, np.diff(first, append=index.size))
        top = value >= TOP * own
        tops, flanks = (np.add.reduceat(near.astype(np.int64), first) for near in (top, value >= FLANK * own))
        found = []
        for at in np.flatnonzero(greatest >= NEAR * self._high).tolist():
            start = int(index[first[at] + int(np.argmax(top[first[at] :]))])
            found.append(Crest(self._at + start, int(tops[at]), int(flanks[at]), float(greatest[at])))
        return found
