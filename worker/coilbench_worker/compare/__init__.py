"""Comparing: statistics on measured strums.

Pure: numbers in, frozen results out; no files, clocks, randomness or HTTP. `observations` says what is compared, and
`comparison` is the way in; every other module is one step of it.
"""
