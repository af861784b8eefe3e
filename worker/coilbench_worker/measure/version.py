"""The version of the measuring code, kept with every measurement. It is raised when a number moves for the same
recording.
"""

MEASURE_VERSION = "2"
