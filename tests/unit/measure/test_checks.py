"""The catalogue of checks: complete, worded once, and obeyed."""

import pytest

from coilbench_worker.measure.checks import CHECKS, CheckKind, check_kind, raised
from coilbench_worker.measure.results import Severity

ASKED_FOR = {
    "clipped", "dc-offset", "hum", "noisy", "too-quiet", "strum-count", "no-strums", "strum-cut-short",
    "uneven-strums", "digital-silence", "too-short", "channel-choice", "not-finite", "truncated-file",
    "low-sample-rate", "gain-unknown", "gain-uncalibrated",
}  # fmt: skip


def test_every_check_asked_for_is_in_the_catalogue_once() -> None:
    codes = [kind.code for kind in CHECKS]
    assert len(set(codes)) == len(codes)
    assert set(codes) >= ASKED_FOR


@pytest.mark.parametrize("kind", CHECKS, ids=lambda kind: kind.code)
def test_check_says_what_it_means_and_what_to_do(kind: CheckKind) -> None:
    assert kind.title
    assert not kind.title.endswith(".")
    assert kind.meaning.endswith(".")
    assert kind.advice.endswith(".")
    assert set(kind.severities) <= {"note", "caution", "reject"}
    assert kind.severities


@pytest.mark.parametrize("kind", CHECKS, ids=lambda kind: kind.code)
def test_message_is_the_finding_followed_by_the_catalogues_advice(kind: CheckKind) -> None:
    for severity in kind.severities:
        check = raised(kind.code, severity, "Found it.", strums=[1, 2], times_s=[0.5], values={"found": 3})
        assert check.message == f"Found it. {kind.advice}"
        assert (check.code, check.severity) == (kind.code, severity)
        assert (check.strums, check.times_s, dict(check.values)) == ((1, 2), (0.5,), {"found": 3})


@pytest.mark.parametrize("kind", CHECKS, ids=lambda kind: kind.code)
def test_severity_outside_the_catalogue_is_refused(kind: CheckKind) -> None:
    severities: tuple[Severity, ...] = ("note", "caution", "reject")
    for severity in set(severities) - set(kind.severities):
        with pytest.raises(ValueError, match=f"{kind.code} is never {severity}"):
            raised(kind.code, severity, "Found it.")


def test_unknown_check_is_refused() -> None:
    with pytest.raises(KeyError, match="limp-wrist"):
        check_kind("limp-wrist")
