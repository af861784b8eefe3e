"""What a plucked string does: decaying modes, slightly inharmonic, shaped by where it is picked and where it is heard.

A pick at distance p from the bridge on a string of speaking length l gives mode n the displacement
2 sin(n pi p/l) / (n^2 pi^2 (p/l)(1 - p/l)) (ideal pluck; Fletcher and Rossing, The Physics of Musical Instruments, from
memory). A pickup hears velocity, so the 1/n^2 becomes 1/n. Stiffness raises mode n by sqrt((1 + B n^2)/(1 + B)). The
decay of a mode grows with its frequency: common practice, no source for the numbers.
"""

from dataclasses import dataclass

import numpy as np

from .types import ComplexArray, FloatArray

SCALE_MM = 640.0
PICK_WIDTH_MM = 2.5
HIGHEST_MODE_HZ = 9900.0
"""Modes end here at every sample rate from 22.05 kHz up, so that all rates give the same signal."""
DB_PER_NEPER = 20 / np.log(10)


@dataclass(frozen=True)
class String:
    """One string: open frequency, stiffness, decay of a mode at 0 Hz and its growth per kHz, weight of its magnetic
    mass.
    """

    open_hz: float
    inharmonicity: float
    decay_db_per_s: float
    decay_db_per_s_per_khz: float
    weight: float = 1.0


# Frequencies: equal temperament, A4 = 440 Hz (ISO 16). The other columns: common practice, no source.
E4 = String(329.6276, 5.0e-5, 9.5, 4.0, 0.70)
B3 = String(246.9417, 6.0e-5, 9.0, 4.0, 0.80)
G3 = String(195.9977, 9.0e-5, 8.5, 4.5, 0.95)
D3 = String(146.8324, 6.0e-5, 8.0, 5.0, 1.00)
A2 = String(110.0000, 8.0e-5, 7.5, 5.5, 1.05)
E2 = String(82.4069, 1.1e-4, 7.0, 6.0, 1.10)
D2 = String(73.4162, 1.3e-4, 7.0, 6.5, 1.10)
B1 = String(61.7354, 1.6e-4, 7.0, 7.0, 1.15)
F1_SHARP = String(46.2493, 2.2e-4, 7.0, 8.0, 1.20)

SIX_STRINGS = (E2, A2, D3, G3, B3, E4)
DROPPED_SIXTH = (D2, A2, D3, G3, B3, E4)
EIGHT_STRINGS = (F1_SHARP, B1, *SIX_STRINGS)


@dataclass(frozen=True)
class Modes:
    """Decaying sines of one string: the string's velocity over a point is Re sum amplitude x exp(s t), t >= 0 from the
    pluck.
    """

    number: FloatArray
    s: ComplexArray
    length_mm: float

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies, Hz, shape (modes,)."""
        frequency_hz: FloatArray = self.s.imag / (2 * np.pi)
        return frequency_hz

    @property
    def decay_db_per_s(self) -> FloatArray:
        """Decay of each mode, dB/s, shape (modes,)."""
        decay: FloatArray = -self.s.real * DB_PER_NEPER
        return decay


def modes(
    string: String,
    *,
    fret: int = 0,
    single_rate_db_per_s: float | None = None,
    damping_db_per_s: float = 0.0,
    damping_db_per_s_per_khz: float = 0.0,
    highest_hz: float = HIGHEST_MODE_HZ,
) -> Modes:
    """Modes of one fretted string.

    Parameters
    ----------
    string : the open string
    fret : semitones above open, >= 0
    single_rate_db_per_s : when given, every mode decays at this rate and nothing else counts, dB/s
    damping_db_per_s, damping_db_per_s_per_khz : what a palm on the strings adds, dB/s and dB/s per kHz
    highest_hz : modes above are left out, Hz

    Returns
    -------
    Modes : numbers 1, 2, ... with their complex frequencies
    """
    fundamental_hz = string.open_hz * 2 ** (fret / 12)
    number = np.arange(1, int(highest_hz / fundamental_hz) + 2, dtype=np.float64)
    stretched = number * np.sqrt((1 + string.inharmonicity * number**2) / (1 + string.inharmonicity))
    frequency_hz = fundamental_hz * stretched
    heard = frequency_hz <= highest_hz
    number, frequency_hz = number[heard], frequency_hz[heard]
    if single_rate_db_per_s is not None:
        decay = np.full_like(frequency_hz, single_rate_db_per_s)
    else:
        per_khz = string.decay_db_per_s_per_khz + damping_db_per_s_per_khz
        decay = string.decay_db_per_s + damping_db_per_s + per_khz * frequency_hz / 1000
    s = -decay / DB_PER_NEPER + 2j * np.pi * frequency_hz
    return Modes(number=number, s=s, length_mm=SCALE_MM * 2 ** (-fret / 12))


def pluck(modes_of_string: Modes, *, pick_mm: float, pick_width_mm: float = PICK_WIDTH_MM) -> FloatArray:
    """Velocity amplitude that a pick gives each mode, shape (modes,); relative, about 1 for the first.

    Parameters
    ----------
    modes_of_string : from `modes`
    pick_mm : distance of the pick from the bridge, mm, inside the speaking length
    pick_width_mm : width of the rounded tip, mm; the wider, the duller

    Raises
    ------
    ValueError : the pick is not between bridge and fret
    """
    place = pick_mm / modes_of_string.length_mm
    if not 0 < place < 1:
        raise ValueError(f"The pick at {pick_mm} mm is not over a string {modes_of_string.length_mm:.0f} mm long.")
    n = modes_of_string.number
    tip = np.exp(-((n * np.pi * pick_width_mm / modes_of_string.length_mm) ** 2) / 2)
    velocity: FloatArray = 2 * np.sin(n * np.pi * place) / (n * np.pi * place * (1 - place)) * tip / np.pi
    return velocity


def heard_at(modes_of_string: Modes, *, place_mm: float, aperture_mm: float) -> FloatArray:
    """How much of each mode a pole at `place_mm` from the bridge sees through a window `aperture_mm` long, shape
    (modes,).
    """
    wave = modes_of_string.number * np.pi / modes_of_string.length_mm
    heard: FloatArray = np.sin(wave * place_mm) * np.sinc(wave * aperture_mm / (2 * np.pi))
    return heard
