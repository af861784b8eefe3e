"""Random chords, random tunings: what the hands of the drawn takes play."""

import numpy as np

from coilbench_worker.model import strings

Frets = tuple[int | None, ...]
REACH = 4
HIGHEST_POSITION = 9
LOWEST_KEY_CHANGE, HIGHEST_KEY_CHANGE = -4, 2


def chord(random: np.random.Generator, count: int = 6) -> Frets:
    """Frets of a chord on neighbouring strings, lowest first: two to all of them, open or within four frets of a
    position.
    """
    played = int(random.integers(2, count + 1))
    first = int(random.integers(0, count - played + 1))
    position = int(random.integers(0, HIGHEST_POSITION))
    frets: list[int | None] = [None] * count
    for number in range(first, first + played):
        frets[number] = 0 if random.random() < 0.2 else position + int(random.integers(0, REACH))
    return tuple(frets)


def key_changes(random: np.random.Generator, count: int = 6) -> tuple[int, ...]:
    """Semitones by which each string is tuned away from the usual: all alike, the lowest alone, or each for itself."""
    kind = random.integers(4)
    if kind == 0:
        return (0,) * count
    if kind == 1:
        return (int(random.integers(LOWEST_KEY_CHANGE, HIGHEST_KEY_CHANGE + 1)),) * count
    if kind == 2:
        return (-2, *[0] * (count - 1))
    return tuple(int(change) for change in random.integers(-2, 3, count))


def strung(changes: tuple[int, ...], cents: float) -> tuple[strings.String, ...]:
    """Six modelled strings, each tuned by its semitones and all of them by `cents`."""
    made = []
    for string, change in zip(strings.SIX_STRINGS, changes, strict=True):
        factor = 2 ** ((change + cents / 100) / 12)
        made.append(
            strings.String(
                string.open_hz * factor,
                string.inharmonicity,
                string.decay_db_per_s,
                string.decay_db_per_s_per_khz,
                string.weight,
            )
        )
    return tuple(made)
