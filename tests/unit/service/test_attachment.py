"""Names of downloads (RFC 6266), with whatever a user called his file."""

from __future__ import annotations

import pytest
from werkzeug.http import parse_options_header

from coilbench_service.recording_answer import attachment


@pytest.mark.parametrize(
    "name",
    [
        "strum.wav",
        "a b.wav",
        'quo"te.wav',
        "back\\slash.wav",
        "semi;colon.wav",
        "ünïcode €.wav",
        "100% 'a'.wav",
        "日本.flac",
    ],
)
def test_the_name_comes_back_as_it_was(name: str) -> None:
    header = attachment(name)
    assert header.isascii()
    assert "\n" not in header
    kind, options = parse_options_header(header)
    assert (kind, options["filename"]) == ("attachment", name)


def test_a_plain_name_needs_no_second_form() -> None:
    assert attachment("strum.wav") == "attachment; filename=strum.wav"


def test_euro_sign_is_encoded_as_in_the_standard() -> None:
    # RFC 6266 section 5: filename*=UTF-8''%e2%82%ac%20rates
    assert attachment("€ rates").endswith("filename*=UTF-8''%E2%82%AC%20rates")
