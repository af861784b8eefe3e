"""The only place that opens sound files: a header reader of our own, and samples from libsndfile behind it."""
