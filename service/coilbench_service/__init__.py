"""The HTTP face of coilbench."""
