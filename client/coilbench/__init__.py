"""What users import: a thin client of the coilbench service."""
