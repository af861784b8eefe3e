"""What an ear can tell: for each quantity, the smallest change that a player is likely to hear. One table.

Most of it is a rule of thumb and says so. A miss is counted in steps of an ear and not in standard errors alone:
with enough strums a difference becomes certain long before anyone hears it.
"""

from dataclasses import dataclass

from coilbench_worker.compare.columns import columns

PRACTICE = "common practice, no source"
TENTH = f"{PRACTICE}: about a tenth of the usual"


@dataclass(frozen=True, slots=True)
class EarStep:
    """A step that an ear can tell, > 0, in the unit of a difference of the quantity; `basis` says on whose word."""

    step: float
    unit: str
    basis: str


_STEPS: dict[str, tuple[float, str]] = {
    "peak_dbfs": (1.0, PRACTICE),
    "true_peak_dbtp": (1.0, PRACTICE),
    "rms_dbfs": (1.0, PRACTICE),
    "rms_energy_dbfs": (1.0, PRACTICE),
    "loudness_lufs": (1.0, PRACTICE),
    "loudness_integrated_lufs": (1.0, PRACTICE),
    "crest_db": (1.0, PRACTICE),
    "attack_ms": (10.0, PRACTICE),
    "attack_body_db": (1.0, PRACTICE),
    "decay_db_per_s": (1.0, TENTH),
    "sustain_20_s": (0.2, TENTH),
    "hold_1s_db": (1.0, PRACTICE),
    "band_decay_db_per_s": (2.0, TENTH),
    "bass_db": (1.0, PRACTICE),
    "middle_db": (1.0, PRACTICE),
    "treble_db": (1.0, PRACTICE),
    "centroid_hz": (50.0, f"{PRACTICE}: about a twentieth of the usual"),
    "tilt_db_per_octave": (0.5, f"{PRACTICE}: 3 dB from end to end of six octaves"),
    "octave_db": (1.0, PRACTICE),
    "third_octave_db": (1.5, PRACTICE),
    "evenness_db": (0.5, f"{PRACTICE}: two strums in three then lie 1 dB closer together"),
    "noise_dbfs": (1.0, PRACTICE),
    "noise_dba_dbfs": (1.0, PRACTICE),
    "hum_dbfs": (1.0, PRACTICE),
    "snr_db": (1.0, PRACTICE),
}
"""By key of the quantity, for all of its parts alike, in the unit of its difference. Not here: what no ear hears
(direct current, the mains frequency), and millivolts, of which a step is a share and not an amount."""


def ear_step(quantity: str) -> EarStep | None:
    """The step of a flat key; None for what an ear has no step of. KeyError when the catalogue has no such key."""
    column = columns()[quantity]
    found = _STEPS.get(column.quantity.key)
    return None if found is None else EarStep(found[0], column.unit_of_difference, found[1])


def audible() -> tuple[str, ...]:
    """Every flat key that has a step, in the catalogue's order: what can be wished for."""
    return tuple(key for key in columns() if ear_step(key) is not None)
