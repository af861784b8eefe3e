"""The version of this package."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("coilbench")
except PackageNotFoundError:  # run from a folder, not installed
    VERSION = "0"
