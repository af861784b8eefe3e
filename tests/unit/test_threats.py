"""The page of threats: every line of it is held by tests that exist, and it says what nothing stops."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "threats.md"
NAMED = re.compile(r"`(tests/[\w./]+\.py)::(\w+)`")
WHO = (
    "Without a key",
    "With a read key",
    "With a write key",
    "With an admin key",
    "With a mistake in the settings",
    "With a hostile file",
    "A hostile page in the browser of somebody who may",
    "On the same network",
    "On the same machine",
    "With a stolen backup",
    "Through what we depend on",
)
OPEN = "What nothing stops"


def _tables() -> dict[str, list[list[str]]]:
    """The rows of each section's table, without its head."""
    found: dict[str, list[list[str]]] = {}
    for section in PAGE.read_text("utf-8").split("\n## ")[1:]:
        title, _, text = section.partition("\n")
        rows = [line.strip().strip("|").split(" | ") for line in text.splitlines() if line.startswith("|")]
        found[title] = [[cell.strip() for cell in row] for row in rows[2:]]
    return found


def _lines() -> Iterator[tuple[str, list[str]]]:
    for who, rows in _tables().items():
        if who != OPEN:
            yield from ((f"{who}: {row[0]}", row) for row in rows)


@cache
def _tests_of(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def test_everybody_who_might_harm_has_lines() -> None:
    tables = _tables()
    assert tuple(tables) == (*WHO, OPEN)
    for who, rows in tables.items():
        assert len(rows) >= 2, who


@pytest.mark.parametrize("line", list(_lines()), ids=lambda line: line[0])
def test_a_line_says_what_is_tried_and_what_stops_it_and_its_tests_exist(line: tuple[str, list[str]]) -> None:
    what, row = line
    assert len(row) == 3, what
    assert all(len(cell) > 10 for cell in row), what
    named = NAMED.findall(row[2])
    assert named, f"{what}: no test"
    assert NAMED.sub("", row[2]).strip(" ,") == "", f"{what}: something else than tests"
    for file, test in named:
        assert (ROOT / file).is_file(), f"{what}: there is no {file}"
        assert test.startswith("test_"), what
        assert test in _tests_of(file), f"{what}: {file} has no {test}"


def test_what_nothing_stops_says_what_to_do() -> None:
    rows = _tables()[OPEN]
    assert len(rows) > 5
    for row in rows:
        assert len(row) == 2, row
        assert all(len(cell) > 8 for cell in row), row
    said = PAGE.read_text("utf-8")
    for fact in ("no TLS", "secrets of call-backs can be read", "write key deletes", "not encrypted"):
        assert fact in said
