"""The demonstration calibrates its chain, also where a run before broke off in the middle."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from coilbench_service.demo import show
from coilbench_worker.model.shop import CHAIN


@pytest.mark.parametrize(
    ("chains", "commands"),
    [
        ([], ["add", "calibrate"]),
        ([{"key": "another", "calibrations": [{}]}], ["add", "calibrate"]),
        ([{"key": CHAIN, "calibrations": []}], ["calibrate"]),
        ([{"key": CHAIN, "calibrations": [{}]}], []),
    ],
)
def test_only_what_no_run_before_has_done_is_done(
    chains: list[dict[str, Any]], commands: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed: list[str] = []
    monkeypatch.setattr(show, "get", lambda address, path: {"items": chains})
    monkeypatch.setattr(show, "_typed", lambda address, words: typed.append(words[1]) or 0)
    assert show._calibrate(tmp_path, "http://127.0.0.1:1") == 0
    assert typed == commands
