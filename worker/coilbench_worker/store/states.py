"""The words for where a take or a job stands; stored as plain text (the drawing is in `jobs/__init__.py`)."""

from typing import Final

WAITING: Final = "waiting"
MEASURING: Final = "measuring"
MEASURED: Final = "measured"
REJECTED: Final = "rejected"
FAILED: Final = "failed"

TAKE_STATES: Final = (WAITING, MEASURING, MEASURED, REJECTED, FAILED)
FINAL_STATES: Final = (MEASURED, REJECTED, FAILED)

# Jobs know one more: another job took this one's place (the settings were changed).
SUPERSEDED: Final = "superseded"
JOB_STATES: Final = (*TAKE_STATES, SUPERSEDED)
