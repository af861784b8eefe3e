"""The report of a session as sections of blocks, in their order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbench_service.report.appendix import appendix
from coilbench_service.report.baseline import field_of
from coilbench_service.report.blocks import Block, Document, Paragraph, Picture, Section
from coilbench_service.report.checks import checks, left_out
from coilbench_service.report.conditions import conditions
from coilbench_service.report.contents import Contents
from coilbench_service.report.definitions import care, definitions, limits
from coilbench_service.report.figures import figures, glance
from coilbench_service.report.findings import findings
from coilbench_service.writing import moment

QUESTION = "question"
"""Field of a session's sheet that says what it was recorded for."""


def document_of(contents: Contents, pictures: Sequence[Picture], unpictured: str | None) -> Document:
    """Lay out a report.

    Parameters
    ----------
    contents : what it rests on
    pictures : its charts
    unpictured : what the pictures leave out, one sentence; None where they leave out nothing
    """
    shown: tuple[Block, ...] = (*([Paragraph(unpictured)] if unpictured else []), *pictures)
    sections = [
        Section("question", "The question", tuple(_question(contents))),
        findings(contents),
        glance(contents),
        *([Section("pictures", "Pictures", shown)] if shown else []),
        figures(contents),
        conditions(contents),
        left_out(contents),
        checks(contents),
        limits(),
        definitions(contents),
        care(),
        appendix(contents),
    ]
    name = (contents.sheet or {}).get("name") or contents.session
    return Document(
        title=f"Report on {name}",
        subtitle=f"Session {contents.session}, {moment(contents.made)}, coilbench {contents.version}",
        made=contents.made,
        sections=tuple(one for one in sections if one.blocks or one.parts),
    )


def _question(contents: Contents) -> Iterator[Block]:
    question = field_of(contents.sheet, QUESTION)
    if isinstance(question, str) and question.strip():
        yield Paragraph(question.strip())
    elif contents.comparison is not None:
        yield Paragraph(f"How do the pickups of this session differ from {contents.comparison['baseline']}?")
    else:
        yield Paragraph("What can be said of the pickups of this session?")
    notes = (contents.sheet or {}).get("notes")
    for text in (notes or "").split("\n"):
        if text.strip():
            yield Paragraph(text.strip())
