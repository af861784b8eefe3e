"""What a comparison warns of where pickups do not scatter alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from http_service import service as running_service
from stored_takes import document, entered

PICKUPS = ("harbour-neck", "mill-bridge", "weir-bridge", "tarn-neck", "kiln-bridge")


@pytest.mark.parametrize(
    ("between_takes", "between_strums", "said"),
    [
        (2.0, 0.1, "between its takes than the others in RMS level"),
        (2.0, 0.1, "its own differences are less certain than they look, those of the others more certain."),
        (
            0.1,
            3.0,
            "between its strums than the others in RMS level (Cochran's test, 1 % over all that was asked): its",
        ),
        (0.1, 3.0, "its own differences have wider intervals for it, the others' are more certain than they look."),
    ],
)
def test_a_pickup_out_of_line_is_named_with_what_that_does(
    tmp_path: Path, between_takes: float, between_strums: float, said: str
) -> None:
    with running_service(tmp_path) as service:
        for place, pickup in enumerate(PICKUPS):
            takes, strums = (between_takes, between_strums) if pickup == "mill-bridge" else (0.1, 0.1)
            for number in range(3):
                level = -20.0 - place + takes * (number - 1)
                levels = [level + strums * step for step in (-1.0, 0.3, 1.0, -0.3)]
                entered(service.bench.database, {"pickup": pickup, "input_gain_db": 10.0}, document(levels))
        asked = {"baseline": PICKUPS[0], "others": list(PICKUPS[1:]), "quantities": ["rms_dbfs"]}
        (caution,) = service.client.post("/v1/comparisons", json=asked).json["cautions"]
    assert caution.startswith("mill-bridge scatters more ")
    assert said in caution
