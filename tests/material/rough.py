"""Cases that a real session may hold: each disturbance and each extreme for itself, on modelled strings and on recorded
notes.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from coilbench_worker.model.chain import Chain, hum
from coilbench_worker.model.strum import POWER_CHORD, Strum

from . import editing
from .addition import added
from .case import Case, FloatArray
from .disturbance import thump
from .drawn import loudest_rms_dbfs
from .playing import MINOR, THREE_HIGH, from_notes, hands, modelled
from .squeak import squeak
from .tap import count_in

CLEAN = Chain(hiss_dbfs=None)
HISS_DBFS = -78.0
Kind = Literal["modelled", "recorded"]
KINDS: tuple[Kind, ...] = ("modelled", "recorded")
GROWING_GAPS_S = (0.35, 0.5, 0.75, 1.1, 1.7, 2.6, 4.0, 8.0)
SQUEAKS = ((0.9, 0.06, -15.0), (1.6, 0.3, -20.0), (3.6, 0.12, -15.0), (4.4, 0.2, -30.0), (6.2, 0.09, -22.0))
"""Each: begins at, lasts (s), peak re the strums' greatest (dB)."""
MINUTES_S = 150.0


def _clean(kind: Kind, strums: tuple[Strum, ...], rate_hz: int, tail_s: float) -> FloatArray:
    play: Callable[..., Any] = modelled if kind == "modelled" else from_notes
    samples: FloatArray = play(strums, rate_hz=rate_hz, chain=CLEAN, tail_s=tail_s)[0]
    return samples


def _hissing(samples: FloatArray, seed: int = 1, dbfs: float = HISS_DBFS) -> FloatArray:
    return samples + 10 ** (dbfs / 20) * np.random.default_rng([seed, 63]).standard_normal(len(samples))


def _onsets_s(strums: tuple[Strum, ...]) -> tuple[float, ...]:
    return tuple(strum.onset_s for strum in strums)


def _plain(
    kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, rate_hz: int = 44100, tail_s: float = 2.0
) -> Case:
    samples = _hissing(_clean(kind, strums, rate_hz, tail_s))
    return Case(f"{kind}-{name}", samples, rate_hz, _onsets_s(strums), notes)


def _squeaks(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, tail_s: float = 2.0) -> Case:
    rate_hz = 44100
    samples = _clean(kind, strums, rate_hz, tail_s)
    reference = float(np.max(np.abs(samples)))
    for number, (at_s, length_s, peak_db) in enumerate(SQUEAKS):
        sound = squeak(rate_hz, length_s=length_s, seed=number)
        samples = added(samples, rate_hz, [(at_s, sound)], peak_db=peak_db, reference=reference)
    return Case(f"{kind}-{name}", _hissing(samples), rate_hz, _onsets_s(strums), notes)


def _count_in(
    kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, count: int, beat_s: float, peak_db: float
) -> Case:
    rate_hz = 48000
    samples = _clean(kind, strums, rate_hz, 2.0)
    taps = count_in(rate_hz, count=count, first_strum_s=strums[0].onset_s, beat_s=beat_s, seed=count)
    samples = added(samples, rate_hz, taps, peak_db=peak_db, reference=float(np.max(np.abs(samples))))
    return Case(f"{kind}-{name}", _hissing(samples), rate_hz, _onsets_s(strums), notes)


def _thumps(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...]) -> Case:
    rate_hz = 48000
    samples = _clean(kind, strums, rate_hz, 2.0)
    sounds = [
        (first.onset_s + 0.6 * (second.onset_s - first.onset_s), thump(rate_hz, hz=45 + 8 * number))
        for number, (first, second) in enumerate(pairwise(strums))
    ]
    samples = added(samples, rate_hz, sounds, peak_db=-24.0, reference=float(np.max(np.abs(samples))))
    return Case(f"{kind}-{name}", _hissing(samples), rate_hz, _onsets_s(strums), notes)


def _faded(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, from_strum: int, tail_s: float) -> Case:
    rate_hz = 44100
    samples = _hissing(_clean(kind, strums, rate_hz, tail_s))
    start_s = strums[from_strum].onset_s + 0.3
    samples = editing.faded_out(samples, rate_hz, start_s=start_s, stop_s=len(samples) / rate_hz)
    return Case(f"{kind}-{name}", samples, rate_hz, _onsets_s(strums), notes)


def _minutes(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, zero: bool) -> Case:
    """A pause of minutes ahead of the third strum, 0.2 s before it."""
    rate_hz, pause_at_s = 22050, strums[2].onset_s - 0.2
    samples = _clean(kind, strums, rate_hz, 2.0)
    paused = editing.with_pause(_hissing(samples) if zero else samples, rate_hz, at_s=pause_at_s, pause_s=MINUTES_S)
    onsets_s = tuple(each + (MINUTES_S if each > pause_at_s else 0.0) for each in _onsets_s(strums))
    return Case(f"{kind}-{name}", paused if zero else _hissing(paused), rate_hz, onsets_s, notes)


def _turned(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...]) -> Case:
    """Turned 0.7 s after the second strum, while it rings."""
    rate_hz = 44100
    samples = _hissing(_clean(kind, strums, rate_hz, 2.0))
    samples = editing.turned(samples, rate_hz, at_s=strums[1].onset_s + 0.7)
    return Case(f"{kind}-{name}", samples, rate_hz, _onsets_s(strums), notes)


def _sides(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, channel: int) -> Case:
    """On the left until 0.1 s before the third strum, then on the right."""
    rate_hz, at_s = 44100, strums[2].onset_s - 0.1
    pair = editing.changing_sides(_hissing(_clean(kind, strums, rate_hz, 2.0)), rate_hz, at_s=at_s)
    onsets_s = tuple(each for each in _onsets_s(strums) if (each < at_s) == (channel == 1))
    return Case(f"{kind}-{name}", pair, rate_hz, onsets_s, notes, channel=channel)


def _one_sided(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, side: str) -> Case:
    rate_hz = 48000
    samples = _hissing(_clean(kind, strums, rate_hz, 2.0))
    if side == "both":
        pair = editing.on_both(samples)
    else:
        pair = editing.beside_hiss(samples, side="left" if side == "left" else "right")
    return Case(f"{kind}-{name}", pair, rate_hz, _onsets_s(strums), notes)


def _hum(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...], *, hum_hz: float, below_db: float) -> Case:
    """Hum whose RMS is `below_db` under that of the strums over 0.5 s."""
    rate_hz = 48000
    samples = _hissing(_clean(kind, strums, rate_hz, 2.0))
    level_dbfs = loudest_rms_dbfs(samples, rate_hz) - below_db
    samples = samples + hum(len(samples), rate_hz, hum_hz=hum_hz, rms_dbfs=level_dbfs)
    return Case(f"{kind}-{name}", samples, rate_hz, _onsets_s(strums), notes)


def _growing(seed: int, **rest: Any) -> tuple[Strum, ...]:
    """Gaps from 0.35 to 8 s, each longer than the last."""
    onset_s, strums = 0.4, []
    for number, gap_s in enumerate((*GROWING_GAPS_S, 0.0)):
        strums.append(replace(hands(1, 1.0, seed=seed + number, **rest)[0], onset_s=onset_s))
        onset_s += gap_s
    return tuple(strums)


def _everything(kind: Kind, name: str, notes: str, strums: tuple[Strum, ...]) -> Case:
    """Taps, squeaks, thumps, hum 36 dB below, turned polarity, one side of two."""
    rate_hz = 96000
    samples = _clean(kind, strums, rate_hz, 2.0)
    reference = float(np.max(np.abs(samples)))
    taps = count_in(rate_hz, count=2, first_strum_s=strums[0].onset_s, beat_s=0.45, seed=9)
    samples = added(samples, rate_hz, taps, peak_db=-22.0, reference=reference)
    squeaks = [(strum.onset_s + 1.1, squeak(rate_hz, length_s=0.15, seed=strum.seed)) for strum in strums]
    samples = added(samples, rate_hz, squeaks, peak_db=-20.0, reference=reference)
    knocks = [(strum.onset_s + 1.6, thump(rate_hz, hz=55)) for strum in strums]
    samples = added(samples, rate_hz, knocks, peak_db=-26.0, reference=reference)
    level_dbfs = loudest_rms_dbfs(samples, rate_hz) - 36.0
    samples = _hissing(samples) + hum(len(samples), rate_hz, hum_hz=50.0, rms_dbfs=level_dbfs)
    samples = editing.turned(samples, rate_hz, at_s=strums[1].onset_s + 0.5)
    pair = editing.beside_hiss(samples, side="right")
    return Case(f"{kind}-{name}", pair, rate_hz, _onsets_s(strums), notes)


def table() -> dict[str, Callable[[], Case]]:
    """All of them by name; nothing is made yet."""
    entries: list[tuple[str, str, Callable[..., Case], tuple[Strum, ...], dict[str, Any]]] = [
        ("squeaks", "string squeaks, 15 to 30 dB down", _squeaks, hands(3, 2.7, seed=101), {}),
        ("squeaks-stopped", "the same, strums stopped", _squeaks, hands(3, 2.7, seed=102, stop_after_s=0.6), {}),
        (
            "four-taps",
            "four taps on the body, 20 dB down",
            _count_in,
            hands(3, 2.0, first_s=2.4, seed=103),
            {"count": 4, "beat_s": 0.5, "peak_db": -20.0},
        ),
        (
            "two-taps",
            "two taps, 26 dB down, palm on the strings",
            _count_in,
            hands(5, 0.8, first_s=1.3, seed=104, frets=POWER_CHORD, palm_db_per_s=50.0),
            {"count": 2, "beat_s": 0.6, "peak_db": -26.0},
        ),
        ("thumps-while-ringing", "handling thumps, 24 dB down", _thumps, hands(4, 1.8, seed=105), {}),
        (
            "fade-last",
            "faded out over the last strum",
            _faded,
            hands(3, 2.0, seed=106),
            {"from_strum": 2, "tail_s": 2.5},
        ),
        ("fade-three", "faded out over three", _faded, hands(5, 1.2, seed=107), {"from_strum": 2, "tail_s": 1.5}),
        (
            "minutes-of-zero",
            "2.5 minutes of digital zero",
            _minutes,
            hands(4, 1.5, seed=108, stop_after_s=0.7),
            {"zero": True},
        ),
        (
            "minutes-of-hiss",
            "2.5 minutes of hiss",
            _minutes,
            hands(4, 1.5, seed=109, stop_after_s=0.7),
            {"zero": False},
        ),
        ("from-sample-0", "the first strum at sample 0", _plain, hands(3, 1.5, first_s=0.0, seed=110), {}),
        (
            "from-sample-0-22k",
            "the same at 22.05 kHz",
            _plain,
            hands(3, 1.5, first_s=0.0, seed=111),
            {"rate_hz": 22050},
        ),
        (
            "from-sample-0-hum",
            "the first strum at sample 0, 60 Hz hum 37 dB down",
            _hum,
            hands(3, 1.5, first_s=0.0, seed=141),
            {"hum_hz": 60.0, "below_db": 37.0},
        ),
        ("cut-at-0.1-s", "the file ends 0.1 s into the last strum", _plain, hands(3, 1.5, seed=112), {"tail_s": 0.1}),
        ("cut-at-0.4-s", "the file ends 0.4 s into the last strum", _plain, hands(3, 1.5, seed=113), {"tail_s": 0.4}),
        ("turned", "polarity turns while strings ring", _turned, hands(4, 1.6, seed=114), {}),
        ("left-then-right", "the left of a take that changes sides", _sides, hands(4, 1.5, seed=115), {"channel": 1}),
        (
            "left-then-right-stopped",
            "the right of a take that changes sides",
            _sides,
            hands(5, 1.5, seed=116, stop_after_s=0.8),
            {"channel": 2},
        ),
        ("one-sided-left", "the right channel only hisses", _one_sided, hands(3, 1.5, seed=117), {"side": "left"}),
        ("one-sided-right", "the left channel only hisses", _one_sided, hands(3, 1.5, seed=118), {"side": "right"}),
        ("dual-mono", "both channels alike", _one_sided, hands(3, 1.5, seed=119), {"side": "both"}),
        ("hum-50-loud", "50 Hz hum 30 dB down", _hum, hands(4, 1.8, seed=120), {"hum_hz": 50.0, "below_db": 30.0}),
        (
            "hum-60-loud",
            "60 Hz hum 30 dB down, stopped",
            _hum,
            hands(4, 1.2, seed=121, stop_after_s=0.5),
            {"hum_hz": 60.0, "below_db": 30.0},
        ),
        ("20-dB-apart", "loud, 20 dB softer, loud", _plain, hands(6, 2.0, seed=122, forces_db=(0.0, -20.0)), {}),
        (
            "20-dB-apart-stopped",
            "loud, 20 dB softer, loud, stopped",
            _plain,
            hands(6, 0.8, seed=123, forces_db=(0.0, -20.0), stop_after_s=0.4),
            {},
        ),
        (
            "20-dB-louder",
            "20 dB softer, then loud",
            _plain,
            hands(4, 1.5, seed=124, forces_db=(-20.0, -20, 0.0, 0.0)),
            {},
        ),
        ("spread-5-ms", "5 ms over the strings, 0.4 s apart", _plain, hands(8, 0.4, seed=125, spread_s=0.005), {}),
        ("spread-110-ms", "110 ms over the strings", _plain, hands(5, 1.2, seed=126, spread_s=0.108, strokes="du"), {}),
        ("growing-gaps", "gaps of 0.35 to 8 s, ringing", _plain, _growing(127), {}),
        ("growing-gaps-muted", "gaps of 0.35 to 8 s, muted", _plain, _growing(140, palm_db_per_s=40.0), {}),
        (
            "every-0.35-s",
            "0.35 s apart, stopped after 0.2 s",
            _plain,
            hands(10, 0.36, seed=128, stop_after_s=0.2, jitter_s=0.005),
            {},
        ),
        (
            "clicks-over-ringing",
            "clicks 22 dB down, 10 ms ahead, over ringing",
            _plain,
            hands(5, 0.9, seed=129, click_db=-22.0, click_lead_s=0.01),
            {},
        ),
        ("22k", "22.05 kHz", _plain, hands(4, 1.2, seed=130, frets=MINOR), {"rate_hz": 22050}),
        ("88k", "88.2 kHz", _plain, hands(3, 1.2, seed=131, frets=MINOR), {"rate_hz": 88200}),
        ("192k", "192 kHz", _plain, hands(3, 1.0, seed=132, frets=THREE_HIGH), {"rate_hz": 192000}),
        (
            "everything",
            "taps, squeaks, thumps, hum, turned polarity, one side",
            _everything,
            hands(3, 2.2, first_s=1.4, seed=133),
            {},
        ),
    ]
    return {
        f"{kind}-{name}": partial(make, kind, name, notes, strums, **rest)
        for kind in KINDS
        for name, notes, make, strums, rest in entries
    }
