"""The OpenAPI document, and a page for it that needs no internet."""

from __future__ import annotations

from pathlib import Path

import flask_openapi3_swagger  # type: ignore[import-untyped]
from flask import Response, current_app, send_from_directory
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from flask_openapi3.openapi import OpenAPI
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.openapi import answers, body_of

TAG = Tag(name="documentation", description="This document")
ASSETS = Path(flask_openapi3_swagger.__file__).parent / "templates" / "swagger"
# The page's own script and style are files, so that nothing inline needs to run; the viewer sets styles on elements.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>coilbench: the HTTP interface</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/v1/docs/assets/css/swagger-ui.css">
</head>
<body>
<noscript>The page needs JavaScript; the document is <a href="/v1/openapi.json">/v1/openapi.json</a>.</noscript>
<div id="routes"></div>
<script src="/v1/docs/assets/js/swagger-ui-bundle.js"></script>
<script src="/v1/docs/start.js"></script>
</body>
</html>
"""
_START = """SwaggerUIBundle({
  url: "/v1/openapi.json", dom_id: "#routes", deepLinking: true, validatorUrl: null,
  docExpansion: "list", defaultModelsExpandDepth: 0
});
"""


class AssetPath(BaseModel):
    """A file of the viewer."""

    name: str = Field(description="Path of the file")


def blueprint() -> APIBlueprint:
    """The routes of /v1/openapi.json and /v1/docs."""
    api = APIBlueprint("documentation", __name__, abp_tags=[TAG])

    @api.get(
        "/v1/openapi.json",
        responses=answers(
            {200: body_of("application/json", "OpenAPI 3.1", {"type": "object"})}, kinds.PRECONDITION_FAILED
        ),
    )
    def read_openapi() -> Response:
        """This document."""
        app = current_app._get_current_object()  # type: ignore[attr-defined]
        assert isinstance(app, OpenAPI)
        return json_answer(app.api_doc, tagged=True)

    @api.get("/v1/docs", responses=answers({200: body_of("text/html", "A page for people", {"type": "string"})}))
    def read_docs() -> Response:
        """This document as a page."""
        response = Response(_PAGE, mimetype="text/html")
        response.headers["Content-Security-Policy"] = PAGE_POLICY
        return response

    @api.get("/v1/docs/start.js", responses=answers({200: body_of("text/javascript", "Script", {"type": "string"})}))
    def read_start() -> Response:
        """The page's own script."""
        return Response(_START, mimetype="text/javascript")

    @api.get(
        "/v1/docs/assets/<path:name>",
        responses=answers({200: body_of("*/*", "The file")}, kinds.NOT_FOUND, kinds.PRECONDITION_FAILED),
    )
    def read_asset(path: AssetPath) -> Response:
        """A file of the page's viewer."""
        return send_from_directory(ASSETS, path.name, max_age=3600)

    return api
