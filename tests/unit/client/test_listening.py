"""Which strums stand for a pickup, what their files are called, and a download over a bad line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from coilbench import Client, NotReachable
from coilbench.listening import LOUDNESS, blind_names, chosen, telling_names
from unit.client.contract_service import ContractService


def rows(*levels: float) -> list[dict[str, Any]]:
    return [{"take": "t", "strum": number, LOUDNESS: level} for number, level in enumerate(levels, 1)]


@pytest.mark.parametrize(("strums", "numbers"), [(1, [3]), (2, [1, 3]), (9, [1, 2, 3, 4, 5])])
def test_strums_nearest_to_the_median_are_chosen_in_their_order(strums: int, numbers: list[int]) -> None:
    assert [row["strum"] for row in chosen(rows(-20.5, -30.0, -21.0, -19.0, -22.0), strums)] == numbers


def test_blind_names_are_letters_as_many_in_all() -> None:
    assert blind_names(3) == ["A.wav", "B.wav", "C.wav"]
    many = blind_names(28)
    assert (many[0], many[25], many[26], many[27]) == ("AA.wav", "AZ.wav", "BA.wav", "BB.wav")
    assert len(set(blind_names(700))) == 700


def test_names_are_told_apart_and_fit_every_system() -> None:
    row = {"take": "t", "pickup": "Häfen/neck", "label": 'a<b>:"|?*\\' + "x" * 300, "strum": 4}
    (name, second) = telling_names([("Häfen/neck", row), ("t", {"take": "t", "file": "../b.wav", "strum": 1})])
    assert name.startswith("01 Häfen_neck - a_b______")
    assert name.endswith(" - strum 4.wav")
    assert len(name.encode()) < 255
    assert second == "02 b - strum 1.wav"


def test_download_begins_anew_after_a_lost_connection(
    service: ContractService, bench: Client, waited: list[float], tmp_path: Path
) -> None:
    address = "/v1/takes/t/strums/1/audio"
    service.fail("GET", address, lose="within", body=b"RIFF")
    service.fail("GET", address, 503, Retry_After="2")
    service.fail("GET", address, 200, body=b"RIFF and the rest")
    assert bench.strum_audio("t", 1, path=tmp_path / "a.wav").read_bytes() == b"RIFF and the rest"
    assert len(waited) == 2
    assert waited[1] >= 2.0
    for _ in range(5):
        service.fail("GET", address, lose="within", body=b"RIFF")
    with pytest.raises(NotReachable, match="lost within the answer"):
        bench.strum_audio("t", 1, path=tmp_path / "b.wav")
    assert [path.name for path in tmp_path.iterdir()] == ["a.wav"]
