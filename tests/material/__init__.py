"""Recordings for tests, with the truth known: recorded notes strummed by us, and modelled strings."""
