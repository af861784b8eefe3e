"""Why quantities of the take as a whole are None: one plain sentence for each."""

from collections.abc import Mapping, Sequence

from coilbench_worker.measure.loudness import ABSOLUTE_GATE_LUFS, WINDOW_S
from coilbench_worker.measure.results import Parts, Strum


def take_reasons(
    take: Parts, noise: Parts, strums: Sequence[Strum], noise_reasons: Mapping[str, str], duration_s: float
) -> dict[str, str]:
    """A reason by key for every quantity of take and noise that is None.

    Parameters
    ----------
    take, noise : the quantities by key
    strums : those of the take, at least one
    noise_reasons : why figures of the noise are None (`Noise.reasons`)
    duration_s : of the recording, s
    """
    levels = sum(strum.quantities["rms_dbfs"] is not None for strum in strums)
    first = next((reason for strum in strums if (reason := strum.reasons.get("rms_dbfs"))), "they are silent")
    no_level = f"no strum has an RMS level: {first}"
    no_noise = f"the noise is not known: {noise_reasons.get('noise_dbfs', 'nothing to go by')}"
    short = f"the recording is shorter than {WINDOW_S:g} s, one gating block"
    faint = f"nothing is louder than {ABSOLUTE_GATE_LUFS:g} LUFS, below which loudness does not count"
    why: dict[str, str] = {
        **noise_reasons,
        "rms_energy_dbfs": no_level,
        "evenness_db": no_level if levels == 0 else "evenness needs RMS levels of two strums; there is one",
        "loudness_integrated_lufs": short if duration_s < WINDOW_S else faint,
        "snr_db": no_level if levels == 0 else no_noise,
    }
    return {key: why[key] for key, value in {**take, **noise}.items() if value is None}
