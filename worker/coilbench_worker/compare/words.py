"""Words that players use, and what they mean in quantities. One table; users change it over HTTP.

All of it is common practice, no source: players don't agree on these words, which is why they can be changed. No word
has an amount of its own: it asks for a change in its direction that an ear can tell, and more than that is welcome.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Direction = Literal["more", "less", "same"]
DIRECTIONS: tuple[Direction, ...] = ("more", "less", "same")
BASIS = "common practice, no source"


@dataclass(frozen=True, slots=True)
class WordItem:
    """One thing that a word asks for: more, less or the same of a quantity (flat key), by `amount` > 0 if given, in the
    unit of a difference of the quantity.
    """

    quantity: str
    direction: Direction
    amount: float | None = None


@dataclass(frozen=True, slots=True)
class Word:
    """What a word asks for, and the same for people."""

    items: tuple[WordItem, ...]
    says: str


def _word(says: str, **items: Direction) -> Word:
    return Word(tuple(WordItem(quantity, direction) for quantity, direction in items.items()), says)


WORDS: Mapping[str, Word] = {
    "hot": _word("gives more level", rms_dbfs="more"),
    "mild": _word("gives less level", rms_dbfs="less"),
    "loud": _word("sounds louder, as an ear weighs it", loudness_lufs="more"),
    "bright": _word("more treble", treble_db="more"),
    "dark": _word("less treble", treble_db="less"),
    "warm": _word("more bass and less treble", bass_db="more", treble_db="less"),
    "tight": _word("less bass and a firmer start", bass_db="less", attack_body_db="more"),
    "full": _word("more bass", bass_db="more"),
    "lean": _word("less bass", bass_db="less"),
    "vocal": _word("more middle", middle_db="more"),
    "scooped": _word("less middle", middle_db="less"),
    "even": _word("strum follows strum at the same level", evenness_db="less"),
    "singing": _word("rings on", decay_db_per_s="less"),
    "short": _word("dies away soon", decay_db_per_s="more"),
    "open": _word("peaks stand out", crest_db="more"),
    "squashed": _word("peaks are held down", crest_db="less"),
    "punchy": _word("the start stands out", attack_body_db="more"),
    "soft": _word("the start does not stand out", attack_body_db="less"),
    "clean": _word("little noise under the strums", snr_db="more"),
}
"""By word. Common practice, no source."""
