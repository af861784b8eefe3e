"""Measurements as tables: columns from the catalogue, rows from takes, wide or long, written in any of five formats."""
