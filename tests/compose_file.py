"""docker-compose.yml as a container engine reads it: anchors merged, ${VARIABLES} filled in, $$ made one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).parents[1]
PATH = ROOT / "docker-compose.yml"
_VARIABLE = re.compile(r"\$(?:\$|\{(?P<name>[A-Za-z_]\w*)(?:(?P<how>:?[-?])(?P<word>[^}]*))?\})")


class VariableMissing(Exception):
    """A variable that the file can't do without is not set."""


def read(variables: Mapping[str, str]) -> dict[str, Any]:
    """The whole file with these variables.

    Raises
    ------
    VariableMissing : one that it asks for (`:?`) is not among them
    """
    document: dict[str, Any] = _filled(yaml.safe_load(PATH.read_text("utf-8")), variables)
    return document


def services(variables: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """The services of the file by name."""
    found: dict[str, dict[str, Any]] = read(variables)["services"]
    return found


def probe(service: Mapping[str, Any]) -> list[str]:
    """The command that says whether a service is well, as a list of words; empty where there is none."""
    test = service.get("healthcheck", {}).get("test", [])
    if not test:
        return []
    how, *words = test
    if how == "CMD-SHELL":
        return ["sh", "-c", *words]
    assert how == "CMD", test
    return words


def command(service: Mapping[str, Any]) -> list[str]:
    """What a service runs: entrypoint, where the file has one, and command."""
    return [*service.get("entrypoint", []), *service["command"]]


def _filled(value: Any, variables: Mapping[str, str]) -> Any:
    if isinstance(value, dict):
        return {name: _filled(inner, variables) for name, inner in value.items()}
    if isinstance(value, list):
        return [_filled(inner, variables) for inner in value]
    return _VARIABLE.sub(lambda found: _word(found, variables), value) if isinstance(value, str) else value


def _word(found: re.Match[str], variables: Mapping[str, str]) -> str:
    if found[0] == "$$":
        return "$"
    name, how, word = found["name"], found["how"] or "", found["word"] or ""
    value = variables.get(name)
    if value is not None and (value or ":" not in how):
        return value
    if "?" in how:
        raise VariableMissing(f"{name}: {word}")
    return word
