"""The engine room: measuring recordings, keeping takes and results, doing what is to be done. Knows nothing of HTTP."""
