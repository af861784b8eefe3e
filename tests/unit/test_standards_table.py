"""docs/standards.md says what the tests of tests/standards hold, no more and no less, and its figures keep to it."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "tests" / "standards"
FILES = sorted(FOLDER.glob("test_*.py"))


def loaded(path: Path) -> ModuleType:
    """A file as a module."""
    name = f"standards_table_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


writer = loaded(ROOT / "docs" / "standards.py")
plugin = loaded(FOLDER / "conftest.py")
PAGE = writer.PAGE.read_text("utf-8")


@pytest.fixture(autouse=True, scope="module")
def marker(request: pytest.FixtureRequest) -> None:
    """Make the marker known where tests/standards itself is not collected."""
    plugin.pytest_configure(request.config)


def stated_by_tests(path: Path) -> set[tuple[str, ...]]:
    """Cells of the rows that the markers of a file of tests call for."""
    file = path.relative_to(ROOT).as_posix()
    rows = set()
    for name, function in vars(loaded(path)).items():
        if name.startswith("test_"):
            for mark in getattr(function, "pytestmark", ()):
                if mark.name == "standard":
                    cells = writer.Row(file, name, **vars(plugin.statement(mark))).cells()
                    rows.add((file, *(cells[column] for column in writer.STATED)))
    return rows


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_rows_of_the_page_are_those_of_the_tests_with_equal_tolerances(path: Path) -> None:
    file = path.relative_to(ROOT).as_posix()
    on_page = {row for row in writer.stated(PAGE) if row[0] == file}
    assert on_page == stated_by_tests(path), "run: python docs/standards.py"


def test_page_names_only_files_of_tests_that_exist() -> None:
    files = {row[0] for row in writer.stated(PAGE)}
    assert files
    assert files <= {path.relative_to(ROOT).as_posix() for path in FILES}


INI = "[pytest]\naddopts = --strict-markers --import-mode=importlib\nfilterwarnings = error\n"
TRIED = """
import pytest

@pytest.mark.standard("level", "closed form", "arithmetic", tolerance=0.1, unit="dB")
@pytest.mark.parametrize("value", [0.01, -0.09, 0.05])
def test_inside(deviation, value):
    deviation(value)

@pytest.mark.standard("first", "A", "1", tolerance=(-0.4, 0.2), unit="dB")
@pytest.mark.standard("second", "B", "2", limits="class 1", unit="dB")
def test_several(deviation):
    deviation(-0.3, of="first")
    deviation(0.19, of="first")
    for beyond in (-3.0, -0.25, -1.0):
        deviation(beyond, of="second")

@pytest.mark.standard("level", "closed form", "", tolerance=0.1, unit="dB")
@pytest.mark.parametrize("value", [0.11, -0.11, float("nan"), None])
def test_outside(deviation, value):
    deviation(value)

@pytest.mark.standard("mask", "B", "2", limits="class 1", unit="dB")
def test_beyond_the_mask(deviation):
    deviation(0.01)

@pytest.mark.standard("level", "closed form", "", tolerance=0.1, unit="dB")
def test_without_a_call(deviation):
    pass

@pytest.mark.standard("level", "closed form", "", tolerance=0.1, unit="dB")
def test_without_the_fixture():
    pass
"""


@pytest.mark.parametrize("processes", ["0", "2"])
def test_deviation_is_asserted_and_recorded_by_the_same_call(tmp_path: Path, processes: str) -> None:
    """The plugin alone, on one process and on two: what passes is on record, what is outside or not called fails."""
    folder, report = tmp_path / "standards", tmp_path / "report.xml"
    folder.mkdir()
    shutil.copy(FOLDER / "conftest.py", folder)
    (folder / "test_tried.py").write_text(TRIED, "utf-8")
    (tmp_path / "pytest.ini").write_text(INI, "utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-n", processes, f"--junitxml={report}", "-p", "no:cacheprovider"]
    ran = subprocess.run([*command, "standards"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ran.returncode == 1, ran.stdout + ran.stderr
    cases = list(ElementTree.parse(report).iter("testcase"))
    failed = {case.attrib["name"].partition("[")[0] for case in cases if case.find("failure") is not None}
    assert failed == {"test_outside", "test_beyond_the_mask", "test_without_a_call", "test_without_the_fixture"}
    assert sum(case.find("failure") is not None for case in cases) == 7
    assert "deviates by 0.11 dB, allowed is -0.1 to 0.1 dB" in ran.stdout
    found = {(row.test, row.quantity): row for row in writer.recorded(report)}
    assert {key: row.deviation for key, row in found.items()} == {
        ("test_inside", "level"): -0.09,
        ("test_several", "first"): 0.19,
        ("test_several", "second"): -0.25,
    }
    assert found["test_inside", "level"].cells() == (
        *("level", "closed form, arithmetic", "±0.1 dB", "-0.090 dB", "`test_inside`"),
    )
    assert found["test_several", "first"].cells()[2:4] == ("-0.4 to +0.2 dB", "0.19 dB")
    assert found["test_several", "second"].cells()[2:4] == ("class 1", "0.25 dB inside")
    written = writer.stated(writer.page(found.values()))
    assert ("standards/test_tried.py", "level", "closed form, arithmetic", "±0.1 dB", "`test_inside`") in written
    assert len(written) == 3


def test_a_standard_needs_a_tolerance_or_limits() -> None:
    names = ("level", "closed form", "")
    with pytest.raises(TypeError, match="either a tolerance or limits"):
        plugin.statement(pytest.mark.standard(*names, unit="dB").mark)
    with pytest.raises(ValueError, match="no deviation at all"):
        plugin.statement(pytest.mark.standard(*names, tolerance=(0.1, 0.2), unit="dB").mark)
