"""Breaks the reading of recordings in every Python that finds this folder on PYTHONPATH, as faults of a library would.

DYING_DECODER=SIGNAL/RATE_HZ   libsndfile "crashes": the process gets the signal as it decodes a recording at that rate
HOARDING_READER=1              the reader keeps every recording whole, however large: a bomb that no limit stopped
"""

import os
from typing import Any

if os.environ.get("DYING_DECODER"):
    import soundfile

    NUMBER, RATE_HZ = map(int, os.environ["DYING_DECODER"].split("/"))
    decode = soundfile.SoundFile.read

    def die_or_decode(self: Any, *arguments: Any, **named: Any) -> Any:
        """Decode, or die of it."""
        if self.samplerate == RATE_HZ:
            os.kill(os.getpid(), NUMBER)
        return decode(self, *arguments, **named)

    soundfile.SoundFile.read = die_or_decode

if os.environ.get("HOARDING_READER"):
    from coilbench_worker.audio import recording

    recording.IN_MEMORY_BYTES = 1 << 40
