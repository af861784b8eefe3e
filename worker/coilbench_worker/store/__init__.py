"""What is kept: the tables and how they are read, the recordings, and the migrations of the tables.

Changes of state are not made here but in `coilbench_worker.jobs`.
"""
