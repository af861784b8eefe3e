"""docs/watching.md names every number and every field of the log that there is, and none that is not."""

from __future__ import annotations

import re
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from coilbench_service.problem_kinds import BY_SLUG
from http_service import service

PAGE = (Path(__file__).parents[2] / "docs" / "watching.md").read_text("utf-8")


def numbers(folder: Path) -> dict[str, tuple[str, set[str]]]:
    """Names as they stand in the text form, with their types and the labels that were seen."""
    with service(folder) as running:
        running.client.get("/v1/takes/none")
        running.client.get("/metrics")
        text = running.client.get("/metrics").text
    found = {}
    for family in text_string_to_metric_families(text):
        name = family.name + ("_total" if family.type == "counter" else "")
        labels = {label for sample in family.samples for label in sample.labels} - {"le"}
        found[name] = (family.type, labels)
    return found


def test_the_table_of_numbers_is_that_of_the_code_with_its_labels(tmp_path: Path) -> None:
    rows = re.findall(r"^\| `(coilbench_\w+)` \| ([^|]*)\|", PAGE, flags=re.MULTILINE)
    there = numbers(tmp_path)
    assert {name for name, _ in rows} == set(there)
    for name, labels in rows:
        told = {label.strip() for label in labels.split(",") if label.strip()}
        seen = there[name][1]
        assert seen <= told, name
        assert seen == told or name == "coilbench_takes_unmeasured_total", name


def test_every_number_and_problem_that_the_page_speaks_of_exists(tmp_path: Path) -> None:
    there = set(numbers(tmp_path))
    assert set(re.findall(r"\bcoilbench_\w+", PAGE)) <= there
    assert set(re.findall(r'problem="([^"]+)"', PAGE)) <= set(BY_SLUG)


def test_limits_without_a_source_say_so() -> None:
    section = PAGE.partition("## When to call somebody")[2].partition("## The log")[0]
    assert "common practice, no source" in section
