"""Breaks the reading of recordings in every Python that finds this folder on PYTHONPATH, as faults of a library would.

DYING_DECODER=SIGNAL/RATE_HZ   libsndfile "crashes": the process gets the signal as it decodes a recording at that rate
WHOLE_GROUP=1                  the signal goes to the process's group: the whole worker dies
HOARDING_READER=1              the reader keeps every recording whole, however large: a bomb that no limit stopped
DEAF_DECODER=RATE_HZ           decoding a recording at that rate never ends; no process hears of the soft time limit
"""

import os
import signal
import threading
from typing import Any

if os.environ.get("DYING_DECODER"):
    import soundfile

    NUMBER, RATE_HZ = map(int, os.environ["DYING_DECODER"].split("/"))
    decode = soundfile.SoundFile.read

    def die_or_decode(self: Any, *arguments: Any, **named: Any) -> Any:
        """Decode, or die of it."""
        if self.samplerate == RATE_HZ:
            end = os.killpg if os.environ.get("WHOLE_GROUP") else os.kill
            end(os.getpgrp() if os.environ.get("WHOLE_GROUP") else os.getpid(), NUMBER)
        return decode(self, *arguments, **named)

    soundfile.SoundFile.read = die_or_decode

if os.environ.get("HOARDING_READER"):
    from coilbench_worker.audio import recording

    recording.IN_MEMORY_BYTES = 1 << 40

if os.environ.get("DEAF_DECODER"):
    import soundfile

    DEAF_RATE_HZ = int(os.environ["DEAF_DECODER"])
    read = soundfile.SoundFile.read
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGUSR1])

    def hang_or_read(self: Any, *arguments: Any, **named: Any) -> Any:
        """Decode, or hang, while other threads go on."""
        if self.samplerate == DEAF_RATE_HZ:
            threading.Event().wait()
        return read(self, *arguments, **named)

    soundfile.SoundFile.read = hang_or_read
