"""What is written for people is true of the code: commands, routes, settings, quantities, files, links."""

from __future__ import annotations

import csv
import importlib.util
import io
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import click
import pytest
from flask import Flask

from coilbench.command import commands as client_command
from coilbench_service.about import FIELDS
from coilbench_service.command import main as server_command
from coilbench_worker.configuration import CLIENT_VARIABLES, FILE_VARIABLE, PREFIX, SECRETS_VARIABLE, Configuration
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.store.states import TAKE_STATES
from http_service import service

ROOT = Path(__file__).parents[2]
README, DEVELOPERS, CHANGELOG = (ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"))
PAGES = (README, DEVELOPERS, CHANGELOG, *sorted((ROOT / "docs").glob("*.md")))
COMMANDS: dict[str, click.Group] = {"coilbench": client_command, "coilbench-server": server_command}
FOLDERS = ("client", "service", "worker", "tests", "bench", "docs", ".ci")
TOP = ("*.md", "*.toml", "*.txt", "*.yml", "Makefile", "Dockerfile", "LICENSE", ".dockerignore", ".gitignore")
NOT_TEXT = {".pyc", ".so", ".png", ".xlsx", ".wav", ".flac"}
REGISTRIES = r"\b(pypi|pythonhosted|npmjs|crates|docker|ghcr|quay|proxy\.golang)\.(org|com|io)\b|--[a-z-]*index-url"
MACHINE_PATHS = r"(?<![\w.])/(work|root|tmp|home/\w+|Users/\w+)/"


def text(page: Path) -> str:
    return page.read_text("utf-8")


def blocks(page: Path, language: str) -> list[str]:
    """Fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text(page), flags=re.MULTILINE | re.DOTALL)


def not_yet() -> str:
    """The section of the README on what is not built."""
    found = re.search(r"^## What it does not do yet\n(.*?)^## ", text(README), flags=re.MULTILINE | re.DOTALL)
    assert found
    return found[1]


def typed(page: Path) -> Iterator[list[str]]:
    """Commands that a page tells people to type: indented or fenced lines, and code within a sentence."""
    lines = re.findall(r"^    (.+)$", text(page), flags=re.MULTILINE)
    lines += [line for block in blocks(page, "sh") for line in block.splitlines()]
    lines += re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", text(page), flags=re.MULTILINE | re.DOTALL))
    for line in lines:
        program, *rest = line.split(maxsplit=1)
        name = program.removeprefix(".venv/bin/")
        if name in COMMANDS or name == "make":
            yield [name, *(shlex.split(rest[0]) if rest else [])]


def options(command: click.Command) -> set[str]:
    """Every option that a command takes."""
    return {name for parameter in command.params for name in parameter.opts} | {"--help", "-h"}


def generator() -> ModuleType:
    """docs/generate.py as a module."""
    spec = importlib.util.spec_from_file_location("documentation_pages", ROOT / "docs" / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    with service(tmp_path) as running:
        yield running.app


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_that_a_page_names_exists_with_its_options(page: Path) -> None:
    verbs = set(re.findall(r"^([a-z]+):", text(ROOT / "Makefile"), flags=re.MULTILINE))
    for program, *arguments in typed(page):
        if program == "make":
            assert set(arguments) <= verbs, arguments
            continue
        if not arguments:
            continue
        group = COMMANDS[program]
        name, *rest = arguments
        if name.startswith("-"):
            assert name in options(group), name
            continue
        assert name in group.commands, f"{program} {name}"
        command = group.commands[name]
        if isinstance(command, click.Group) and rest:
            assert rest[0] in command.commands, f"{program} {name} {rest[0]}"
            command = command.commands[rest[0]]
        unknown = {word for word in rest if word.startswith("-")} - options(command)
        assert not unknown, f"{program} {name}: {unknown}"


def test_the_pages_are_read_for_commands() -> None:
    found = [" ".join(words) for words in typed(README)]
    assert "make demo" in found
    assert "make test" in found
    assert "coilbench send FOLDER --wait -o table.xlsx" in found
    assert "coilbench-server up" in found


@pytest.mark.parametrize("program", COMMANDS)
def test_every_command_is_told_of(program: str) -> None:
    group = COMMANDS[program]
    written = {words[1] for page in (README, DEVELOPERS) for words in typed(page) if words[0] == program and words[1:]}
    shorthand = set(re.findall(r"`(\w+)`", text(README) + text(CHANGELOG)))
    assert set(group.commands) <= written | shorthand


def test_what_is_not_there_yet_is_not_there() -> None:
    assert "watched folder" in not_yet()
    assert "watch" not in client_command.commands, "built, so the README must say so"


@pytest.mark.parametrize("name", ["quantities.md", "settings.md", "http.md"])
def test_the_reference_pages_are_as_the_code_writes_them(name: str) -> None:
    assert text(ROOT / "docs" / name) == generator().PAGES[name](), "run: python docs/generate.py"


def test_every_route_is_told_of(app: Flask) -> None:
    page = text(ROOT / "docs" / "http.md")
    rules = list(app.url_map.iter_rules())
    assert rules
    for rule in rules:
        path = re.sub(r"<(?:[^<:]+:)?([^>]+)>", r"{\1}", rule.rule)
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}:
            assert f"| {method} | `{path}` |" in page


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_route_that_a_page_names_exists(page: Path, app: Flask) -> None:
    known = {re.sub(r"<[^>]+>", "{}", rule.rule) for rule in app.url_map.iter_rules()}
    routed = app.url_map.bind("localhost")
    for path in re.findall(r"/v1/[a-z0-9_/{}.-]*[a-z0-9}]", text(page)):
        assert re.sub(r"\{\w+\}", "{}", path) in known or routed.test(path), path


def test_every_setting_is_told_of_and_every_variable_named_exists() -> None:
    page = text(ROOT / "docs" / "settings.md")
    settings = {PREFIX + name.upper() for name in Configuration.model_fields}
    assert {name for name in settings | CLIENT_VARIABLES if f"| `{name}` |" not in page} == set()
    known = settings | CLIENT_VARIABLES | {SECRETS_VARIABLE} | {FILE_VARIABLE}
    named = {name for each in PAGES for name in re.findall(r"\bCOILBENCH_[A-Z_]*[A-Z]", text(each))}
    assert named <= known


def test_every_quantity_and_every_check_is_told_of() -> None:
    page = text(ROOT / "docs" / "quantities.md")
    assert {quantity.key for quantity in QUANTITIES if f"| `{quantity.key}` |" not in page} == set()
    assert {check.code for check in CHECKS if f"| `{check.code}` |" not in page} == set()


def test_the_columns_of_the_example_description_are_fields() -> None:
    (example,) = blocks(README, "csv")
    header, *lines = csv.reader(io.StringIO(example))
    assert header[0] == "file"
    assert set(header[1:]) <= set(FIELDS)
    assert len(lines) >= 2
    assert {len(line) for line in lines} == {len(header)}


def test_the_drawing_of_states_is_that_of_the_code() -> None:
    code = text(ROOT / "worker/coilbench_worker/jobs/__init__.py")
    drawing = next(block for block in blocks(DEVELOPERS, "text") if "hand_back" in block)
    lines = [line.strip() for line in drawing.splitlines()]
    assert lines == [line.strip() for line in code.splitlines()[2 : 2 + len(lines)]]
    assert set(TAKE_STATES) <= set(re.findall(r"\w+", drawing))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_file_and_folder_that_a_page_names_exists(page: Path) -> None:
    prose = re.sub(r"`[^`\n]*`|\bdemo/table\.xlsx", "", text(page))
    roots = "client|service|worker|tests|bench|docs|\\.ci"
    named = set(re.findall(rf"(?<![\w/.-])((?:{roots})/[\w./-]*\w)", prose))
    named |= set(re.findall(rf"`((?:{roots})/[\w./-]*\w)`", text(page)))
    assert {name for name in named if not (ROOT / name).exists()} == set()


def test_every_room_has_a_place_on_the_map() -> None:
    page = text(DEVELOPERS)
    rooms = [
        folder
        for package in ("client/coilbench", "service/coilbench_service", "worker/coilbench_worker")
        for folder in (ROOT / package, *(ROOT / package).iterdir())
        if (folder / "__init__.py").exists()
    ]
    assert len(rooms) > 5
    for room in rooms:
        path = room.relative_to(ROOT).as_posix()
        assert f"| {path} |" in page or f"{room.name}/" in page, path


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", text(page)):
        if target.startswith("https://"):
            continue
        path, _, anchor = target.partition("#")
        file = page.parent / path if path else page
        assert file.exists(), target
        if anchor:
            heads = re.findall(r"^#+ (.+)$", text(file), flags=re.MULTILINE)
            assert anchor in {re.sub(r"[^\w\s-]", "", head).strip().lower().replace(" ", "-") for head in heads}, target


def test_no_file_names_a_registry_or_a_path_of_one_machine() -> None:
    files = [file for pattern in TOP for file in ROOT.glob(pattern)]
    files += [file for folder in FOLDERS for file in (ROOT / folder).rglob("*") if file.is_file()]
    read = [file for file in files if file.suffix not in NOT_TEXT and "__pycache__" not in file.parts]
    assert len(read) > 200
    found = []
    for file in read:
        for number, line in enumerate(text(file).splitlines(), 1):
            if file != Path(__file__) and re.search(f"{REGISTRIES}|{MACHINE_PATHS}", line):
                found.append(f"{file.relative_to(ROOT)}:{number}: {line.strip()}")
    assert found == []


def test_that_search_finds_what_it_looks_for() -> None:
    assert re.search(REGISTRIES, "pip install --extra-index-url x")
    assert re.search(REGISTRIES, "see https://{}.org/x".format("pypi"))
    assert re.search(MACHINE_PATHS, 'open("/tmp/x")')
    assert not re.search(MACHINE_PATHS, "homework/tmp/x and ./tmp/x")
