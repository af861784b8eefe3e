"""The report of a session: HTML for the screen and paper, PDF, and what it rests on as JSON."""

from __future__ import annotations

from typing import Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, field_validator

from coilbench_service import problem_kinds as kinds
from coilbench_service.accepted import form_accepted
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.comparing import HEADLINE
from coilbench_service.openapi import answers
from coilbench_service.places import NoPlace, Places
from coilbench_service.problems import Problem
from coilbench_service.question import Confidence, QuantityKeys, SubjectKey
from coilbench_service.recording_answer import attachment
from coilbench_service.report import html, pdf
from coilbench_service.report.contents import contents_of
from coilbench_service.report.document import document_of
from coilbench_service.report.findings import sentences
from coilbench_service.report.pictures import pictures_of
from coilbench_service.selection import split_list

TAG = Tag(name="reports", description="What a session found, for people: to read, to print, to hand over")
Form = Literal["html", "pdf", "json"]
_FORMS: dict[str, Form] = {html.MEDIA_TYPE: "html", pdf.MEDIA_TYPE: "pdf", "application/json": "json"}
BODIES: dict[str, Any] = {
    "description": "The report: HTML in one file, PDF, or what it rests on as JSON",
    "content": {kind: {"schema": {"type": "object"} if form == "json" else {}} for kind, form in _FORMS.items()},
}
PROBLEMS = (
    kinds.SESSION_UNKNOWN,
    kinds.NOT_ACCEPTABLE,
    kinds.NOT_MEASURED_YET,
    kinds.SUBJECT_UNKNOWN,
    kinds.NOTHING_TO_COMPARE,
    kinds.TOO_MANY_TAKES,
    kinds.TOO_MANY_REPORTS,
)
AT_ONCE, MOST_WAITING, PLACE_WITHIN_S = 2, 6, 30.0
"""Reports made at a time, each some seconds of drawing and memory; who may wait, and how long."""


class ReportPath(BaseModel):
    """The session meant; it need not have a sheet."""

    key: SubjectKey = Field(description="Key of a session, as its takes name it")


class ReportQuery(BaseModel):
    """What the report is about, and its form."""

    model_config = ConfigDict(extra="forbid")

    baseline: SubjectKey | None = Field(
        None,
        description="Pickup that the others are held against; left out: the `reference` of the session's sheet, else "
        "the pickup with the most takes, and the report says so",
    )
    quantity: QuantityKeys | None = Field(
        None, description=f"Quantities to compare; repeat or separate by commas; left out: {', '.join(HEADLINE)}"
    )
    confidence: Confidence = 0.95
    format: Form | None = Field(None, description="Goes before the Accept header; else HTML")

    @field_validator("quantity", mode="before")
    @classmethod
    def _split(cls, values: object) -> object:
        return split_list(values)


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/sessions/{key}/report."""
    api = APIBlueprint("reports", __name__, url_prefix="/v1/sessions/<path:key>/report", abp_tags=[TAG])
    places = Places(AT_ONCE, MOST_WAITING, PLACE_WITHIN_S)

    @api.get("", responses=answers({200: BODIES}, *PROBLEMS))
    def report_session(path: ReportPath, query: ReportQuery) -> Response:
        """What was found in a session: one file to read offline, to print, or to hand over."""
        form = query.format or form_accepted(_FORMS, "html")
        try:
            with places.taken():
                return _made(bench, path.key, query, form)
        except NoPlace as error:
            detail = f"{AT_ONCE} are made at a time and {MOST_WAITING} may wait, {PLACE_WITHIN_S:g} s at most."
            raise Problem(kinds.TOO_MANY_REPORTS, detail, headers={"Retry-After": "10"}) from error

    return api


def _made(bench: Bench, session: str, query: ReportQuery, form: Form) -> Response:
    contents = contents_of(
        bench, session, baseline=query.baseline, quantities=query.quantity, confidence=query.confidence
    )
    if form == "json":
        return json_answer({**contents.as_json(), "findings": list(sentences(contents))})
    document = document_of(contents, *pictures_of(bench, contents))
    if form == "pdf":
        response = Response(pdf.pdf(document), mimetype=pdf.MEDIA_TYPE)
    else:
        response = Response(html.html(document), mimetype=html.MEDIA_TYPE)
        response.headers["Content-Security-Policy"] = f"{html.policy()}; frame-ancestors 'none'"
    response.headers["Cache-Control"] = "no-store"
    response.headers["Vary"] = "Accept"
    response.headers["Content-Disposition"] = attachment(f"{session}.{form}", "inline")
    return response
