"""Writes the reference pages of this folder from the tables in the code: `python docs/generate.py`.

tests/unit/test_documentation.py fails while a page differs from what is written here.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from string import Template
from typing import Any

from flask_openapi3.openapi import OpenAPI

from coilbench_service.about import About
from coilbench_service.app import create_app
from coilbench_service.bench import Bench
from coilbench_service.routes.problem_pages import every_kind
from coilbench_worker.configuration import CLIENT_VARIABLES, PREFIX, Configuration
from coilbench_worker.measure.catalogue import QUANTITIES, Of, Quantity
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.measure.settings import MeasureSettings

FOLDER = Path(__file__).parent
MACHINES_OWN = {"data": "the user's data folder, as the operating system has it", "workers": "one for each processor"}
CLIENT_MEANING = {
    "COILBENCH_KEY": "Access key that the client sends, made with `coilbench-server key make`; a server that "
    "listens on its own machine only needs none.",
    "COILBENCH_URL": "Address of the server for the client; unset: http://127.0.0.1:8080.",
}
METHODS = ("get", "post", "patch", "put", "delete")

QUANTITIES_PAGE = Template("""\
# Quantities and checks

Written by docs/generate.py from the catalogues in worker/coilbench_worker/measure/catalogue.py and checks.py.

Levels are in dB re full scale, so a full-scale sine reads -3.01 dBFS RMS; AES17 readings are 3.01 dB higher. What
can't be measured is empty (null in JSON), and the strum's `reasons` says why. In tables a quantity with parts fills one
column for each: `octave_db_63`. `GET /v1/quantities` and `GET /v1/checks` give the same lists.

## Quantities of one strum

$strum

## Quantities of a take

$take

## Noise of a take

$noise

## Checks

`note`: good to know. `caution`: read the numbers with care. `reject`: the take can't carry a comparison (`usable` is
false), or can't be measured at all (state `rejected`). The limits are common practice, no source; they are in
worker/coilbench_worker/measure/judgement.py.

$checks

## Settings of a measurement

Given with `POST /v1/takes/{take_id}/measurement` as `{"settings": {...}}` and stored with the result. Windows are
[start, stop] in seconds from the onset. `expected_strums` and `channel` come from the take's description.

$settings
""")

SETTINGS_PAGE = Template("""\
# Settings

Written by docs/generate.py from worker/coilbench_worker/configuration.py.

The environment goes before the one TOML file that `COILBENCH_CONFIG` names (there in lower case and without the prefix:
`workers = 4`), the file before the default. Passwords and keys may stand in files of their own, in the folder that
`COILBENCH_SECRETS` names, each with the name of its setting in lower case (`coilbench_database_password`); they go
between the two. `coilbench-server doctor` shows each value and where it came from; of a secret only that it is there.
A value that is not allowed stops the start, with a message that says what is.

## Server

$server

## Client

$client
""")

HTTP_PAGE = Template("""\
# HTTP: routes, descriptions, problems

Written by docs/generate.py from the app. The whole contract, with every parameter and answer, is the OpenAPI 3.1
document at `/v1/openapi.json`; a running server shows it to people at `/v1/docs`, without the internet.

## Routes

$routes

## Pages

For people, in a browser. They show what the routes above answer, and change things only through them.

$pages

## What `about` knows

All of it is optional; a field that is not listed is kept under `extra`. The same names, `extra` apart, head the columns
of takes.csv. Only `expected_strums` and `channel` change what is measured.

$about

## Problems

Every error is RFC 9457 `application/problem+json` with `type`, `title`, `status`, `detail`, `advice` and, where input
was at fault, `errors`. `GET /problems` lists the types.

$problems
""")


def quantities_page() -> str:
    """Every quantity and every check of the catalogues, and the settings of a measurement."""
    return QUANTITIES_PAGE.substitute(
        strum=_quantities("strum"),
        take=_quantities("take"),
        noise=_quantities("noise"),
        checks=_table(
            ("code", "severity", "meaning", "what to do"),
            ((f"`{check.code}`", ", ".join(check.severities), check.meaning, check.advice) for check in CHECKS),
        ),
        settings=_table(
            ("setting", "default"),
            ((f"`{name}`", _shown(value)) for name, value in MeasureSettings().to_document().items()),
        ),
    )


def settings_page() -> str:
    """Every setting of the server, and the variables of the client."""
    rows = []
    for name, field in Configuration.model_fields.items():
        extra = field.json_schema_extra
        allowed = str(extra["allowed"]) if isinstance(extra, dict) else ""
        default = MACHINES_OWN.get(name) or _shown(field.default)
        rows.append((f"`{PREFIX}{name.upper()}`", default, field.description or "", allowed))
    return SETTINGS_PAGE.substitute(
        server=_table(("variable", "default", "what it is for", "allowed"), rows),
        client=_table(
            ("variable", "what it is for"), ((f"`{name}`", CLIENT_MEANING[name]) for name in sorted(CLIENT_VARIABLES))
        ),
    )


def http_page() -> str:
    """Every route, the fields of a description, every kind of problem."""
    return HTTP_PAGE.substitute(
        routes=_table(("method", "route", "does"), _routes(_of_app(lambda app: app.api_doc))),
        pages=_table(("method", "page", "what it is"), _of_app(_pages)),
        about=_table(
            ("field", "meaning"),
            ((f"`{name}`", field.description or "") for name, field in About.model_fields.items()),
        ),
        problems=_table(
            ("type", "status", "title", "what to do"),
            ((f"`{kind.type}`", str(kind.status), kind.title, kind.advice) for kind in every_kind()),
        ),
    )


PAGES: dict[str, Callable[[], str]] = {
    "quantities.md": quantities_page,
    "settings.md": settings_page,
    "http.md": http_page,
}


def _of_app(ask: Callable[[OpenAPI], Any]) -> Any:
    """What is asked of an app that serves nobody."""
    with tempfile.TemporaryDirectory() as folder:
        configuration = Configuration(data=Path(folder))
        bench = Bench.of(configuration)
        try:
            return ask(create_app(configuration, bench))
        finally:
            bench.close()


def main() -> None:
    """Write every page."""
    for name, page in PAGES.items():
        (FOLDER / name).write_text(page(), encoding="utf-8", newline="\n")


def _quantities(of: Of) -> str:
    head = ("key", "name", "unit", "definition", "source", "more / less")
    return _table(head, (_quantity(quantity) for quantity in QUANTITIES if quantity.of == of))


def _quantity(quantity: Quantity) -> tuple[str, ...]:
    parts = f"; by {', '.join(quantity.parts)}" if quantity.parts else ""
    words = f"{quantity.more} / {quantity.less}"
    return f"`{quantity.key}`", quantity.name + parts, quantity.unit, quantity.definition, quantity.source, words


def _routes(document: dict[str, Any]) -> Iterable[tuple[str, ...]]:
    for path, item in sorted(document["paths"].items()):
        for method in METHODS:
            if method in item:
                yield method.upper(), f"`{path}`", item[method]["summary"]


def _pages(app: OpenAPI) -> list[tuple[str, ...]]:
    """Pages by address, each with the first line of its own, or else of its module."""
    found = []
    for rule in sorted(app.url_map.iter_rules(), key=lambda rule: rule.rule):
        if rule.endpoint.startswith("page."):
            path = re.sub(r"<(?:[^<:]+:)?([^>]+)>", r"{\1}", rule.rule)
            view = app.view_functions[rule.endpoint]
            told = view.__doc__ or sys.modules[view.__module__].__doc__ or ""
            what = "Style and scripts." if rule.endpoint == "page.static" else told.strip().splitlines()[0]
            methods = sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})
            found += [(method, f"`{path}`", what) for method in methods]
    return found


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    cells = [head, ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(text.replace("|", "\\|") for text in row) + " |" for row in cells)


def _shown(value: object) -> str:
    if value is None or value == "":
        return "not set"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


if __name__ == "__main__":
    main()
