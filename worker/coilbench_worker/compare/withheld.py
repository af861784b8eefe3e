"""Why a comparison says nothing: an exception within the room, a sentence outside of it."""

ONE_VALUE = "one value alone says nothing about chance: record more strums, or takes of what a take has one of"
COPIES = "the values do not scatter at all: these are copies of one recording, not strokes of a hand"
NO_VALUES = "it was not measured on any usable strum of {}"


class Withheld(Exception):
    """Nothing can be said; the message is one plain sentence without a full stop."""
