"""The pages as HTML: their policy, what they do with a wrong address, and that other sites change nothing."""

from __future__ import annotations

import html
import re
from urllib.parse import quote, urlsplit

import pytest
from markupsafe import escape

from coilbench_service.about import About
from coilbench_service.page import description
from coilbench_service.page.layout import POLICY
from http_recordings import strums_wav
from http_service import Service, assert_problem

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}


def test_the_first_page_tells_what_to_do_when_nothing_is_there_yet(service: Service) -> None:
    page = service.client.get("/", headers=BROWSER)
    assert (page.status_code, page.mimetype) == (200, "text/html")
    assert "No recordings yet" in page.text
    assert "Keep everything else the same" in page.text


def test_pages_have_the_strict_policy_and_nothing_inline(service: Service) -> None:
    take = service.measured(strums_wav())
    assert service.client.post("/v1/pickups", json={"key": "a", "inductance_h": 2.5, "dcr_ohm": 6e3}).status_code == 201
    assert service.client.post("/v1/sessions", json={"key": "b"}).status_code == 201
    of_sheets = ("/pickups", "/pickups?against=true", "/pickups/a", "/sessions", "/sessions/b")
    questions = ("/compare", "/compare?baseline=x", "/choose", "/choose?reference=x&word=warm", "/coil")
    for address in (
        "/",
        f"/takes/{take['id']}",
        f"/takes/beside?take={take['id']}",
        "/takes/none",
        *of_sheets,
        "/coil?pickup=a",
        *questions,
    ):
        page = service.client.get(address, headers=BROWSER)
        assert page.headers["Content-Security-Policy"] == POLICY
        assert "unsafe" not in POLICY
        assert not re.search(r"<script>|<script [^>]*>[^<]|<style|\sstyle=|\son\w+=", page.text)
        for link in re.findall(r'(?:src|href|action|data-address)="([^"]+)"', page.text):
            assert urlsplit(link).netloc == "", link


@pytest.mark.parametrize("asks", ["/coil?pickup=", "/compare?baseline=", "/choose?word=dark&reference="])
def test_what_an_address_names_is_shown_as_text(service: Service, asks: str) -> None:
    key = """"><script>1</script>'%41&amp;"""
    page = service.client.get(f"{asks}{quote(key)}", headers=BROWSER)
    assert "<script>1" not in page.text
    assert f'value="{escape(key)}" selected' in page.text


def test_every_file_of_the_pages_is_served_with_its_type(service: Service) -> None:
    for name, kind in (("page.js", "text/javascript"), ("page.css", "text/css"), ("mark.svg", "image/svg+xml")):
        answer = service.client.get(f"/static/{name}", buffered=True)
        assert (answer.status_code, answer.mimetype) == (200, kind)


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/takes/none", 404),
        ("/takes/a%00b", 404),
        ("/?state=lost", 422),
        ("/?limit=0", 422),
        ("/takes/beside?take=x", 404),
        ("/pickups/none", 404),
        ("/pickups/a%0Ab", 404),
        ("/sessions/none", 404),
        ("/pickups?cursor=!", 422),
        ("/compare?confidence=2", 422),
        ("/choose?loud=1", 422),
    ],
)
def test_a_wrong_address_is_a_page_for_people_and_a_problem_for_programs(
    service: Service, address: str, status: int
) -> None:
    page = service.client.get(address, headers=BROWSER)
    assert (page.status_code, page.mimetype) == (status, "text/html")
    body = service.client.get(address).json
    assert_problem(service.client.get(address), status, body["type"].removeprefix("/problems/"))
    for said in (body["title"], body["detail"] if status == 404 else body["advice"]):
        assert said in page.text.replace("&#39;", "'").replace("&#34;", '"')


def test_an_address_that_is_not_there_is_a_page_for_people(service: Service) -> None:
    page = service.client.get("/recordings", headers=BROWSER)
    assert (page.status_code, page.mimetype) == (404, "text/html")
    assert "There is nothing at this address" in page.text
    assert page.headers["Content-Security-Policy"] == POLICY
    assert_problem(service.client.get("/recordings"), 404, "not-found")


def test_the_list_leads_to_a_table_of_the_same_takes(service: Service) -> None:
    for key in ("a", "b & c"):
        service.measured(strums_wav(count=1), f"{key}.wav", {"pickup": key})
    page = service.client.get("/?pickup=b+%26+c&state=measured")
    link = re.search(r'href="(/v1/table[^"]*format=csv)"', page.text)
    assert link is not None
    rows = service.client.get(link[1].replace("&amp;", "&")).text.splitlines()
    assert len(rows) == 2
    assert "b & c" in rows[1]


@pytest.mark.parametrize("key", ["harbour-neck", "a b/c <x>", "..", ".", "\N{GREEK SMALL LETTER OMEGA} ?#%&"])
def test_a_take_leads_to_its_pickup_and_session_whatever_they_are_called(service: Service, key: str) -> None:
    take = service.measured(strums_wav(count=1), about={"pickup": key, "session": key})
    for address in ("/", f"/takes/{take['id']}"):
        page = service.client.get(address).text
        links = re.findall(r'href="(/(?:pickups|sessions)/[^"]*)"', page)
        assert len(links) == (0 if "/" in key or key in (".", "..") else 2)
        assert str(escape(key)) in page
        for link in links:
            assert service.client.get(html.unescape(link), headers=BROWSER).status_code == 200


def test_filters_left_empty_ask_for_everything_and_pages_lead_back(service: Service) -> None:
    for number in range(3):
        service.sent(strums_wav(count=1), f"take {number}.wav", {"pickup": "a" if number else "b"})
    client = service.client
    page = client.get("/?state=&pickup=a&session=")
    assert ("take 1.wav" in page.text, "take 2.wav" in page.text, "take 0.wav" in page.text) == (True, True, False)
    first = client.get("/?limit=2")
    assert first.text.index("take 2.wav") < first.text.index("take 1.wav")  # the newest first
    older = re.search(r'href="(/\?[^"]*cursor=[^"]*)"', first.text)
    assert older is not None
    last = client.get(older[1].replace("&amp;", "&"))
    assert "take 0.wav" in last.text
    assert "take 1.wav" not in last.text


def test_a_long_take_shows_its_strums_by_portions(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbench_service.page.take.STRUMS_ON_A_PAGE", 2)
    take = service.measured(strums_wav(count=5))
    first = service.client.get(f"/takes/{take['id']}").text
    assert first.count("<audio") == 2
    assert 'href="?strum=3"' in first
    last = service.client.get(f"/takes/{take['id']}?strum=5").text
    assert last.count("<audio") == 1
    assert 'href="?strum=3"' in last


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_site_sends_is_refused_on_every_route_that_changes_something(service: Service, site: str) -> None:
    take = service.sent(strums_wav(count=1))
    headers = {"Sec-Fetch-Site": site}
    client = service.client
    assert_problem(client.delete(take["links"]["self"], headers=headers), 403, "foreign-origin")
    assert_problem(client.patch(take["links"]["self"], json={}, headers=headers), 403, "foreign-origin")
    assert_problem(service.send(strums_wav(count=1), headers=headers), 403, "foreign-origin")
    assert client.get("/", headers=headers).status_code == 200  # a link from elsewhere may be followed


def test_every_field_of_a_description_can_be_changed_on_the_page() -> None:
    assert [field.name for field in description.FIELDS] == [name for name in About.model_fields if name != "extra"]


def test_a_reference_without_a_wish_asks_for_one_and_finds_no_fault(service: Service) -> None:
    service.measured(strums_wav(), about={"pickup": "harbour-neck"})
    answer = service.client.get("/choose?reference=harbour-neck&by.rms_dbfs=&session=")
    assert answer.status_code == 200
    assert "Say below what should be different from harbour-neck." in answer.text
    assert service.client.get("/choose?reference=harbour-neck&word=nonsense").status_code == 422
