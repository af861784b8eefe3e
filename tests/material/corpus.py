"""A varied corpus of takes with known onsets: modelled strings and recorded notes, each made when asked for.

@pytest.mark.parametrize("name", corpus.names())
def test_...(name): case = corpus.case(name)
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any, Literal

import numpy as np

from coilbench_worker.model import strings
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import POWER_CHORD

from . import editing, recorded, rough
from .case import Case
from .disturbance import fast_hand, thumps
from .playing import (
    BARRE,
    BATTERY,
    EIGHT,
    EIGHT_LOW,
    MINOR,
    QUIET,
    SINGLE,
    THREE_HIGH,
    TWIN,
    Made,
    from_notes,
    hands,
    modelled,
)

__all__ = ["BARRE", "BATTERY", "MINOR", "SINGLE", "THREE_HIGH", "TWIN", "Case", "case", "cases", "hands", "names"]


def _quantised(made: Made, bits: int) -> Made:
    samples, rate_hz, onsets = made
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * steps), -steps, steps - 1) / steps, rate_hz, onsets


def _beside_hiss(made: Made, side: Literal["left", "right"]) -> Made:
    return editing.beside_hiss(made[0], side=side), made[1], made[2]


def _twice(made: Made) -> Made:
    return editing.on_both(made[0]), made[1], made[2]


def _with_thumps(made: Made, times_s: tuple[float, ...], peak_db: float) -> Made:
    samples, rate_hz, onsets = made
    return samples + thumps(len(samples), rate_hz, times_s, peak_db, np.max(np.abs(samples))), rate_hz, onsets


def _table() -> dict[str, tuple[str, Callable[[], Made]]]:
    m = partial(partial, modelled)
    r = partial(partial, from_notes)
    hum50, hum60 = replace(QUIET, hum_hz=50.0, hum_dbfs=-52), replace(QUIET, hum_hz=60.0, hum_dbfs=-50)
    hiss, offset = replace(QUIET, hiss_dbfs=-58), replace(QUIET, dc_offset=0.03, polarity=-1)
    muted: dict[str, Any] = {"palm_db_per_s": 60.0, "palm_db_per_s_per_khz": 60.0}
    soft = (0.0, -6.0, -12.0, -3.0)
    return {
        "modelled-four-strums": ("the usual take", m(hands(4, 4.0))),
        "modelled-up-and-down": ("up strokes start on the thinnest string", m(hands(6, 2.0, strokes="du", seed=2))),
        "modelled-slow-spread": ("110 ms over the strings", m(hands(4, 3.0, spread_s=0.1, seed=3), rate_hz=44100)),
        "modelled-quick-spread": ("5 ms over the strings", m(hands(4, 3.0, spread_s=0.005, seed=4), rate_hz=96000)),
        "modelled-slow-up-stroke": ("90 ms from the thinnest string down", m(hands(4, 3, strokes="u", spread_s=0.09))),
        "modelled-ringing-over": ("every 0.45 s over ringing strings", m(hands(12, 0.45, seed=5))),
        "modelled-soft-over-loud": ("6 and 12 dB softer over ringing", m(hands(8, 1.5, forces_db=soft, seed=6))),
        "modelled-few-strings-over": (
            "three thin strings, 6 dB softer, over a whole ringing chord",
            m((*hands(2, 1.6, seed=7), *hands(2, 1.6, first_s=3.8, frets=THREE_HIGH, forces_db=(-6.0,), seed=8))),
        ),
        "modelled-quiet-take": ("30 dB below the usual", m(hands(4, 3.0, forces_db=(-30.0,), seed=9))),
        "modelled-palm-muted": ("a palm on the strings", m(hands(8, 0.7, frets=POWER_CHORD, seed=10, **muted))),
        "modelled-stopped": ("stopped after 0.6 s", m(hands(5, 2.0, stop_after_s=0.6, seed=11), pickup=TWIN)),
        "modelled-stopped-fast": ("stopped after 0.2 s", m(hands(10, 0.5, stop_after_s=0.2, seed=12), pickup=TWIN)),
        "modelled-dropped": ("low D", m(hands(4, 3.0, frets=BARRE, seed=13), strung=strings.DROPPED_SIXTH)),
        "modelled-eight-strings": (
            "eight strings down to 46 Hz",
            m(hands(4, 3.5, frets=EIGHT, spread_s=0.06, seed=14), strung=strings.EIGHT_STRINGS, pickup=TWIN),
        ),
        "modelled-eight-low": (
            "46 Hz over 60 Hz hum",
            m(hands(4, 3.0, frets=EIGHT_LOW, seed=15), strung=strings.EIGHT_STRINGS, pickup=TWIN, chain=hum60),
        ),
        "modelled-hum": ("50 Hz at -52 dBFS", m(hands(4, 3.0, seed=16), chain=hum50)),
        "modelled-hiss": ("hiss at -58 dBFS", m(hands(4, 3.0, seed=17), chain=hiss)),
        "modelled-offset": ("offset, turned polarity", m(hands(4, 3.0, seed=18), chain=offset)),
        "modelled-clicks": (
            "the pick clicks 20 ms ahead, 22 dB down",
            m(hands(4, 3.0, seed=19, click_db=-22.0, click_lead_s=0.02)),
        ),
        "modelled-battery": ("preamp and gain control", m(hands(5, 2.5, seed=20), pickup=BATTERY)),
        "modelled-clipped": ("clipped", m(hands(4, 3.0, seed=21), chain=replace(QUIET, input_gain_db=21.0))),
        "modelled-192k": ("192 kHz", m(hands(2, 2.5, seed=22), rate_hz=192000)),
        "modelled-22k": ("22.05 kHz", m(hands(4, 2.5, seed=23), rate_hz=22050)),
        "modelled-at-the-start": ("the first strum 30 ms after the start", m(hands(4, 3.0, first_s=0.03, seed=24))),
        "modelled-one-strum": ("a single strum", m(hands(1, 1.0, seed=25), tail_s=6.0)),
        "modelled-single-notes": ("one string at a time", m(hands(6, 1.0, frets=(None, 2, *[None] * 4), seed=26))),
        "modelled-thumps": (
            "handling thumps 26 dB down between strums",
            partial(lambda s: _with_thumps(modelled(s), (2.1, 5.0, 8.3), -26.0), hands(3, 3.0, seed=27)),
        ),
        "modelled-clean-floor": (
            "no noise at all",
            m(hands(3, 4.0, seed=28, stop_after_s=2.0), chain=Chain(hiss_dbfs=None)),
        ),
        "recorded-clean": ("the usual take", r(hands(4, 3.5, seed=40))),
        "recorded-jazz": ("rounder notes", r(hands(4, 3.0, frets=BARRE, seed=41), program=recorded.JAZZ)),
        "recorded-muted": ("muted notes", r(hands(8, 0.8, seed=42, **muted), program=recorded.MUTED)),
        "recorded-overdriven": ("overdriven notes", r(hands(4, 3, seed=43), program=recorded.OVERDRIVEN)),
        "recorded-up-and-down": (
            "up and down strokes, 48 kHz, 24 bit",
            partial(lambda s: _quantised(from_notes(s, rate_hz=48000), 24), hands(8, 1.2, strokes="du", seed=44)),
        ),
        "recorded-ringing-over": ("every 0.5 s over ringing", r(hands(10, 0.5, seed=45), decay_db_per_s=4.0)),
        "recorded-soft-over-loud": ("softer over ringing", r(hands(8, 1.5, forces_db=soft, seed=46), rate_hz=48000)),
        "recorded-slow-spread": ("100 ms over the strings", r(hands(4, 3.0, spread_s=0.1, seed=47))),
        "recorded-quick-spread": ("5 ms over the strings, 96 kHz", r(hands(3, 2.5, spread_s=0.005), rate_hz=96000)),
        "recorded-stopped": ("stopped after 0.4 s", r(hands(6, 1.3, frets=MINOR, stop_after_s=0.4, seed=48))),
        "recorded-eight-strings": (
            "eight strings, 70 ms over them",
            r(hands(4, 3.0, frets=EIGHT, spread_s=0.07, seed=49), open_keys=recorded.EIGHT_KEYS),
        ),
        "recorded-power-chords": (
            "low D, three strings, damped",
            r(hands(8, 0.75, frets=POWER_CHORD, stop_after_s=0.5), open_keys=recorded.DROPPED_KEYS),
        ),
        "recorded-hum": ("50 Hz hum at -52 dBFS", r(hands(4, 3.0, seed=50), chain=hum50)),
        "recorded-hiss": ("hiss at -58 dBFS", r(hands(4, 3.0, seed=51), chain=hiss)),
        "recorded-16-bit-quiet": (
            "peaks at -36 dBFS in 16 bit",
            partial(lambda s: _quantised(from_notes(s, peak_dbfs=-36.0), 16), hands(4, 3.0, seed=52)),
        ),
        "recorded-stereo-left": (
            "the right channel only hisses",
            partial(lambda s: _beside_hiss(from_notes(s), "left"), hands(4, 2.5, seed=53)),
        ),
        "recorded-stereo-right": (
            "the left channel only hisses",
            partial(lambda s: _beside_hiss(from_notes(s), "right"), hands(4, 2.5, seed=54)),
        ),
        "recorded-stereo-same": (
            "both channels alike",
            partial(lambda s: _twice(from_notes(s)), hands(4, 2.5, seed=55)),
        ),
        "recorded-clicks": (
            "the pick clicks 15 ms ahead, 24 dB down",
            r(hands(4, 2.5, seed=56, click_db=-24.0, click_lead_s=0.015)),
        ),
        "recorded-thumps": (
            "handling thumps 26 dB down",
            partial(lambda s: _with_thumps(from_notes(s), (2.2, 4.8), -26.0), hands(3, 2.8, seed=57)),
        ),
        "recorded-single-notes": ("one thin string", r(hands(6, 1.2, frets=(*[None] * 5, 5), seed=58))),
        "recorded-fast-hand": ("uneven rhythm, 0.25 s at least", partial(lambda s: from_notes(s), fast_hand(seed=59))),
    }


def names() -> tuple[str, ...]:
    """Names of all cases; nothing is made yet."""
    return (*_table(), *rough.table())


def case(name: str) -> Case:
    """Make one case."""
    if name in (others := rough.table()):
        return others[name]()
    notes, make = _table()[name]
    samples, rate_hz, onsets_s = make()
    bits = "pcm_s16" if "16 bit" in notes else "pcm_s24" if "24 bit" in notes else "float64"
    return Case(name, samples, rate_hz, onsets_s, notes, bits)


def cases() -> Iterator[Case]:
    """All cases, one after the other."""
    yield from map(case, names())
