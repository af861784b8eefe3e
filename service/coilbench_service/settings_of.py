"""The settings of a measurement: what the description says of strums and channel, and what a request asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.measure.settings import MeasureSettings, SettingsInvalid, from_document

FROM_ABOUT = ("expected_strums", "channel")


def settings_of(about: Mapping[str, Any]) -> MeasureSettings:
    """The default settings with what the description says."""
    return from_document({name: about[name] for name in FROM_ABOUT if about.get(name) is not None})


def settings_after(present: Mapping[str, Any], about: Mapping[str, Any], changed: Mapping[str, Any]) -> MeasureSettings:
    """A take's present settings after a change of its description; the rest of them stays.

    Parameters
    ----------
    present : the settings as stored
    about, changed : the description before and after
    """
    moved: dict[str, Any] = {name: changed.get(name) for name in FROM_ABOUT if changed.get(name) != about.get(name)}
    return replace(from_document(present), **moved)


def settings_asked(asked: Mapping[str, Any], about: Mapping[str, Any]) -> MeasureSettings:
    """The settings that a request asks for; what it leaves out comes from the description, else the default.

    Raises
    ------
    Problem : invalid-request, with each setting at fault
    """
    base = settings_of(about).to_document()
    try:
        return from_document({**base, **asked})
    except SettingsInvalid as error:
        errors = [FieldError(f"settings.{name}", message) for name, message in error.faults]
        detail = "; ".join(f"{fault.field}: {fault.message}" for fault in errors[:3])
        raise Problem(kinds.INVALID_REQUEST, detail, errors=errors) from error
