"""The OpenAPI document is valid and whole, and its page needs no internet."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from coilbench_service.about import About
from coilbench_service.problems import MEDIA_TYPE
from http_recordings import pcm16, strums_wav
from http_service import Service, assert_problem


def _routes(service: Service) -> list[tuple[str, str]]:
    """Those for programs; pages are for people."""
    return [
        (re.sub(r"<(?:[^<:]+:)?([^>]+)>", r"{\1}", rule.rule), method.lower())
        for rule in service.app.url_map.iter_rules()
        if not rule.endpoint.startswith("page.")
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    ]


def test_the_document_is_valid_openapi_3_1(service: Service) -> None:
    document = service.client.get("/v1/openapi.json").json
    assert document["openapi"].startswith("3.1")
    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []


def test_every_route_of_the_app_is_in_the_document_and_no_other(service: Service) -> None:
    document = service.client.get("/v1/openapi.json").json
    written = [(path, method) for path, item in document["paths"].items() for method in item]
    assert sorted(written) == sorted(_routes(service))


def test_every_operation_says_what_it_does_and_how_it_fails(service: Service) -> None:
    document = service.client.get("/v1/openapi.json").json
    ids = []
    for item in document["paths"].values():
        for operation in item.values():
            ids.append(operation["operationId"])
            assert operation["summary"]
            assert any(status < "400" for status in operation["responses"])
            for status, answer in operation["responses"].items():
                assert answer["description"]
                if status >= "400":
                    assert list(answer["content"]) == [MEDIA_TYPE]
    assert len(ids) == len(set(ids))


def test_the_upload_is_documented_with_its_parts(service: Service) -> None:
    document = service.client.get("/v1/openapi.json").json
    content = document["paths"]["/v1/takes"]["post"]["requestBody"]["content"]["multipart/form-data"]
    assert set(content["schema"]["properties"]) == {"file", "about"}
    assert set(document["components"]["schemas"]["About"]["properties"]) == set(About.model_fields)


def test_both_ways_to_calibrate_are_documented_with_their_fields(service: Service) -> None:
    document = service.client.get("/v1/openapi.json").json
    content = document["paths"]["/v1/chains/{chain_key}/calibrations"]["post"]["requestBody"]["content"]
    assert set(content) == {"application/json", "multipart/form-data"}
    assert content["application/json"]["schema"]["required"] == ["input_gain_db", "uncertainty_db"]
    about = content["multipart/form-data"]["schema"]["properties"]["about"]
    assert about["required"] == ["input_gain_db", "uncertainty_percent"]


JSON_ADDRESSES = [
    ("/v1/takes", "/v1/takes"),
    ("/v1/quantities", "/v1/quantities"),
    ("/v1/checks", "/v1/checks"),
    ("/v1/table", "/v1/table"),
    ("/problems", "/problems"),
    ("/problems/not-found", "/problems/{slug}"),
    ("/healthz", "/healthz"),
]


@pytest.mark.parametrize(("address", "path"), JSON_ADDRESSES)
def test_what_the_service_answers_fits_its_own_document(service: Service, address: str, path: str) -> None:
    assert_fits(service, address, path)


def test_a_measured_take_fits_the_document(service: Service) -> None:
    links = service.measured(strums_wav(), about={"label": "a", "humidity": 41, "tags": ["b"]})["links"]
    service.measured(pcm16(np.zeros(48_000)))
    assert_fits(service, links["self"], "/v1/takes/{take_id}")
    assert_fits(service, links["measurement"], "/v1/takes/{take_id}/measurement")
    stated = {"input_gain_db": 3, "full_scale_dbu": 4, "uncertainty_db": 0.1}
    for message in ({"key": "desk"}, {"key": "box", "gain_step_uncertainty_db": 0.1, "name": "Box", "notes": "b"}):
        service.client.post("/v1/chains", json=message)
    made = service.client.post("/v1/chains/desk/calibrations", json=stated).json["links"]["self"]
    service.client.patch(links["self"], json={"about": {"chain": "desk", "input_gain_db": 3}})
    assert_fits(service, links["measurement"], "/v1/takes/{take_id}/measurement")
    assert_fits(service, "/v1/chains/desk", "/v1/chains/{chain_key}")
    assert_fits(service, made, "/v1/chains/{chain_key}/calibrations/{calibration_id}")
    for address in ("/v1/takes", "/v1/chains", "/v1/table?per=strum", "/v1/table?per=take"):
        assert_fits(service, address, address.partition("?")[0])


def assert_fits(service: Service, address: str, path: str) -> None:
    """Hold an answer against the document, by the reference validator for Python."""
    document = service.client.get("/v1/openapi.json").json
    schema = document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    registry = Registry().with_resource("urn:document", Resource.from_contents(document, DRAFT202012))
    whole = {"$ref": "urn:document" + schema["$ref"]}
    answer = service.client.get(address)
    assert answer.status_code == 200
    Draft202012Validator(whole, registry=registry).validate(answer.json)


def test_the_page_and_all_it_loads_come_from_here(service: Service) -> None:
    client = service.client
    page = client.get("/v1/docs")
    assert page.mimetype == "text/html"
    links = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert links
    for link in links:
        if link.startswith("data:"):
            continue
        assert urlsplit(link).netloc == ""
        assert client.get(link, buffered=True).status_code == 200, link
    policy = page.headers["Content-Security-Policy"]
    assert "script-src 'self';" in policy
    assert "unsafe-eval" not in policy
    assert not re.search(r"<script>|<script [^>]*>[^<]|\son\w+=", page.text)  # nothing inline, which the policy forbids


@pytest.mark.parametrize("name", ["../plugins.py", "%2e%2e/plugins.py", "no-such-file.js", "js"])
def test_the_page_gives_no_other_file(service: Service, name: str) -> None:
    assert_problem(service.client.get(f"/v1/docs/assets/{name}"), 404, "not-found")
