"""The Flask app: rules that hold for every request, and the routes."""

from __future__ import annotations

from importlib.metadata import version

from flask import Response, request
from flask_openapi3.models.info import Info
from flask_openapi3.openapi import OpenAPI
from werkzeug.middleware.proxy_fix import ProxyFix

from coilbench_service import (
    browser_headers,
    cors,
    costly,
    cross_site,
    hosts,
    json_document,
    metrics,
    page,
    problems,
    request_log,
    sheet_csv,
    upload,
)
from coilbench_service.admission import Admission, scope_of
from coilbench_service.allowance import Allowance
from coilbench_service.bench import Bench
from coilbench_service.conditional import ConditionalResponse
from coilbench_service.openapi import SECURITY, ProblemDetails, say_who_may
from coilbench_service.routes import (
    audio,
    calibrations,
    callbacks,
    catalogue,
    chains,
    charts,
    choices,
    coils,
    comparisons,
    documentation,
    groupings,
    health,
    keys,
    measurement,
    pickups,
    problem_pages,
    reports,
    sessions,
    studies,
    table,
    take_charts,
    takes,
    takes_beside,
    words,
)
from coilbench_worker.configuration import Configuration

UPLOADS = ("takes.send_take", "calibrations.calibrate_chain")
JSON_TOO = ("calibrations.calibrate_chain",)
"""Of the uploads, those that take a JSON body as well."""
CSV_TOO = ("pickups.add_sheet", "sessions.add_sheet")
"""Those that take a JSON body or a table."""
FORMS = ("page.sign_in", "page.sign_out")
"""Those that a form of a page is posted to."""
DESCRIPTION = (
    "Measures recordings of electric-guitar strums. Send a take, wait until it is measured, read the measurement or "
    "the table. Errors are RFC 9457 problems; /problems lists their kinds."
)


def create_app(configuration: Configuration, bench: Bench | None = None) -> OpenAPI:
    """The HTTP face of a configuration; the tables must be at the newest revision before it is asked.

    Parameters
    ----------
    configuration : the settings
    bench : the stores to use; made from the configuration when None. `app.extensions["coilbench"]` has it
    """
    bench = bench or Bench.of(configuration)
    app = OpenAPI(
        "coilbench_service",
        info=Info(title="coilbench", version=version("coilbench"), description=DESCRIPTION),
        security_schemes=SECURITY,
        doc_ui=False,
        validation_error_model=ProblemDetails,
        validation_error_callback=problems.raise_invalid,
        static_folder=None,
    )
    app.response_class = ConditionalResponse  # of send_file too
    app.extensions["coilbench"] = bench
    app.url_map.strict_slashes = True
    numbers = metrics.Metrics(bench)
    admission = Admission(bench)
    json_document.install(app)
    problems.register(app)
    request_log.register(app)
    numbers.register(app)
    admission.register(app)
    allowance = Allowance(configuration, UPLOADS, sign_in=FORMS[0], needed=admission.needed)
    app.before_request(lambda: _admit(configuration, admission, allowance))
    costly.register(app)
    app.after_request(allowance.tell)
    app.after_request(lambda response: browser_headers.protect(response, configuration))
    cors.register(app, configuration)
    for blueprint in (
        takes.blueprint(bench),
        measurement.blueprint(bench),
        audio.blueprint(bench),
        take_charts.blueprint(bench),
        takes_beside.blueprint(bench),
        charts.blueprint(bench),
        table.blueprint(bench),
        chains.blueprint(bench),
        calibrations.blueprint(bench),
        callbacks.blueprint(bench),
        pickups.blueprint(bench),
        sessions.blueprint(bench),
        reports.blueprint(bench),
        words.blueprint(bench),
        comparisons.blueprint(bench),
        choices.blueprint(bench),
        coils.blueprint(bench),
        studies.blueprint(bench),
        groupings.blueprint(bench),
        keys.blueprint(bench),
        catalogue.blueprint(),
        problem_pages.blueprint(),
        documentation.blueprint(),
        health.blueprint(bench, numbers),
    ):
        app.register_api(blueprint)
    app.register_blueprint(page.blueprint(bench))
    if configuration.trusted_proxies:
        number = configuration.trusted_proxies
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=number, x_proto=number, x_host=number)  # type: ignore[method-assign]
    app.generate_spec_json()  # type: ignore[no-untyped-call] # once and now: making it is not for several threads
    say_who_may(app, scope_of, needed=admission.needed)
    return app


def _admit(configuration: Configuration, admission: Admission, allowance: Allowance) -> Response | None:
    """What holds before any route: our host, who asks and how often, a body of the kind and size that the route takes.

    Returns
    -------
    Response : to a browser that asks what a page of another origin may send; else None, and the route answers
    """
    ours = (*configuration.hosts_allowed, configuration.host)
    invited = cors.allowed_origin(request, configuration) is not None
    hosts.require_our_host(request, ours, numbers=admission.needed, any_origin=invited)
    cross_site.require_our_page(request, any_origin=invited)
    if (response := cors.preflight(request, configuration)) is not None:
        return response
    allowance.require_few_failures()
    try:
        admission.admit(request)
    finally:
        allowance.admit()  # who asks for what his key does not open is counted too
    _bound_body(configuration)
    return None


def _bound_body(configuration: Configuration) -> None:
    if request.endpoint in FORMS:
        request.max_content_length = json_document.MAX_BODY_BYTES
        return
    multipart = request.mimetype == "multipart/form-data" or request.endpoint not in JSON_TOO
    if request.endpoint in UPLOADS and request.method == "POST" and multipart:
        request.max_content_length = configuration.max_upload_bytes + upload.ENVELOPE_BYTES
        return
    or_else = sheet_csv.MEDIA_TYPE if request.endpoint in CSV_TOO and request.method == "POST" else None
    if or_else is not None and request.mimetype == or_else:
        request.max_content_length = sheet_csv.MAX_BYTES
        return
    request.max_content_length = json_document.MAX_BODY_BYTES
    if request.url_rule is not None and request.method in ("POST", "PATCH", "PUT"):
        json_document.require_json_body(request, or_else=or_else)
