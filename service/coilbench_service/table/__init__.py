"""Measurements as tables: columns from the catalogue, rows from takes, written as JSON, CSV or a spreadsheet."""
