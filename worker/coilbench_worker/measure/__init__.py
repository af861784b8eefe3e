"""Measuring: samples in, frozen results out.

Nothing here opens a file, logs, reads a clock or knows the service. `take.measure_take` is the way in; every other
module is one family of quantities. Full scale is 1.0; levels are dB re full scale (a full-scale sine reads
-3.01 dBFS RMS; the AES17 reading is 3.01 dB higher).
"""
