"""The demonstration: an invented shop's recordings, measured by a server started for it, held against the truth.

recordings  -> the modelled takes as WAV files, their manifest, their truth
programs    -> the server and the user's command, run as programs
comparison  -> what was measured against what is true
show        -> one after the other, and what is said about it
"""

from .show import run

__all__ = ["run"]
