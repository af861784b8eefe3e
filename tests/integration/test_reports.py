"""Reports of sessions, over HTTP, by client and command: what they say, that they say it in every form, and that
nothing in them is taken for markup.
"""

from __future__ import annotations

import base64
import hashlib
import shutil
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest

from coilbench import Client
from coilbench.errors import NotFound, UnknownFormat
from coilbench_service.report import contents, pdf
from coilbench_service.writing import figure, said, signed
from http_recordings import RATE_HZ, pcm16, strums
from http_service import Service, assert_problem
from served import Command, served_service, typed_at

pytestmark = pytest.mark.xdist_group("reports")  # the same takes are measured once

SESSION = "tuesday"
LEVELS = {"harbour-neck": -20.0, "mill-bridge": -14.0}
HOSTILE = '<script>alert(1)</script> #evil[x] $y^2$ *b* _i_ "q" & \\u{41} @ref //'
QUESTION = 'Which one is hotter? #panic("no") <b>&amp;</b>'
ALONE = 'alone/at "home" é'
"""A session without a sheet, by a key that no sheet could have."""
GAP_S = 1.0
LEVEL = "RMS level, most first; means in dBFS"
VOID = ("meta", "img", "br", "link", "input")


def played(level_dbfs: float, seed: int) -> bytes:
    """Four strums of a hand that scatters by half a decibel."""
    samples = strums(count=4, gap_s=GAP_S, level_dbfs=level_dbfs)
    for number, change_db in enumerate(np.random.default_rng(seed).normal(0, 0.5, 4)):
        start = int((0.5 + number * GAP_S) * RATE_HZ)
        samples[start : start + int(GAP_S * RATE_HZ)] *= 10 ** (change_db / 20)
    return pcm16(samples)


def hiss() -> bytes:
    """A recording without a strum."""
    return pcm16(1e-3 * np.random.default_rng(3).standard_normal(2 * RATE_HZ))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """Two pickups of two takes, one of hiss alone, one take of no pickup, and the sessions of single takes."""
    with served_service(tmp_path_factory.mktemp("reports")) as (service, url):
        for seed, (pickup, level) in enumerate(LEVELS.items()):
            for take in range(2):
                about = {
                    "pickup": pickup,
                    "session": SESSION,
                    "label": f"{pickup} {take} {HOSTILE}",
                    "input_gain_db": 10,
                }
                about["pick"] = "0.7 mm" if pickup == "mill-bridge" else "1.0 mm"
                service.sent(played(level, 10 * seed + take), f"{pickup}-{take}.wav", about)
        service.sent(hiss(), "hiss.wav", {"pickup": "quay-bridge", "session": SESSION, "label": "hiss"})
        service.sent(played(-18.0, 99), "nameless.wav", {"session": SESSION, "label": "nameless"})
        service.sent(played(-18.0, 77), "alone.wav", {"session": ALONE, "pickup": "ferry-neck"})
        service.sent(hiss()[:-2000], "hiss-2.wav", {"session": "spoiled", "pickup": "ferry-neck"})
        service.work()
        service.sent(played(-18.0, 55), "late.wav", {"session": "waiting", "pickup": "ferry-neck"})
        service.sent(played(-18.0, 44), "later.wav", {"session": ALONE, "pickup": "ferry-neck"})
        sheet = {"key": SESSION, "question": QUESTION, "reference": "harbour-neck", "notes": HOSTILE}
        assert service.client.post("/v1/sessions", json=sheet).status_code == 201
        assert service.client.post("/v1/sessions", json={"key": "empty"}).status_code == 201
        yield service, url


@pytest.fixture(scope="module")
def page(served: tuple[Service, str]) -> Page:
    """The session's report as HTML, taken apart."""
    answer = served[0].client.get(f"/v1/sessions/{SESSION}/report")
    assert (answer.status_code, answer.mimetype) == (200, "text/html"), answer.text
    return Page(answer.text)


@pytest.fixture(scope="module")
def paper(served: tuple[Service, str], tmp_path_factory: pytest.TempPathFactory) -> str:
    """The text of the session's report as PDF."""
    answer = served[0].client.get(f"/v1/sessions/{SESSION}/report", headers={"Accept": "application/pdf"})
    assert (answer.status_code, answer.mimetype) == (200, "application/pdf"), answer.text
    return text_of(answer.data, tmp_path_factory.mktemp("pdf"))


class Page(HTMLParser):
    """What a page holds: its text, its tables by caption as lists of rows, addresses, tags."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.source = source
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.text = ""
        self._rows: list[list[str]] = []
        self._caption = ""
        self._open: list[str] = []
        self.feed(source)
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)
        if tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th"):
            self._rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag
        if tag == "table":
            self.tables[self._caption] = self._rows

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1] == "style":
            return
        self.text += data
        if self._open[-1] == "caption":
            self._caption += data
        elif self._open[-1] in ("td", "th"):
            self._rows[-1][-1] += data

    def rows(self, caption: str) -> dict[str, list[str]]:
        """The rows of the table whose caption begins so, by their heads."""
        (found,) = (rows for name, rows in self.tables.items() if name.startswith(caption))
        return {row[0]: row[1:] for row in found}


def text_of(content: bytes, folder: Path) -> str:
    """The text of a PDF, white space as single spaces."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.fail("pdftotext is missing: install poppler-utils")
    (folder / "report.pdf").write_bytes(content)
    command = [program, "-layout", str(folder / "report.pdf"), "-"]
    return " ".join(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())


def asked(service: Service, **question: Any) -> Any:
    answer = service.client.get(f"/v1/sessions/{SESSION}/report", query_string={"format": "json", **question})
    assert answer.status_code == 200, answer.text
    return answer.json


def test_report_rests_on_what_the_api_answers(served: tuple[Service, str]) -> None:
    service = served[0]
    found = asked(service)
    question = {"baseline": "harbour-neck", "others": ["mill-bridge", "quay-bridge"], "session": SESSION}
    assert found["comparison"] == service.client.post("/v1/comparisons", json=question).json
    address = f"/v1/table?per=pickup&session={SESSION}&quantities={','.join(found['quantities'])}"
    assert found["pickups"] == service.client.get(address).json["items"]


def test_page_shows_the_figures_of_the_comparison(served: tuple[Service, str], page: Page) -> None:
    found = asked(served[0])
    means = {row["pickup"]: row["rms_dbfs"] for row in found["pickups"]}
    glance = page.rows("Means over takes")
    assert {key: cells[2] for key, cells in glance.items() if key in LEVELS} == {
        key: figure(means[key], 1) for key in LEVELS
    }
    row = next(row for row in found["comparison"]["results"] if row["quantity"] == "rms_dbfs")
    level = page.rows(LEVEL)["mill-bridge"]
    assert row["verdict"] == "higher"
    assert (level[4], level[6]) == (signed(row["difference"], 1), "hotter")
    assert page.rows(LEVEL)["harbour-neck"][6] == "baseline"


def test_what_was_found_comes_first_in_three_to_six_sentences(served: tuple[Service, str], page: Page) -> None:
    findings = asked(served[0])["findings"]
    assert 3 <= len(findings) <= 6
    places = [page.text.index(sentence) for sentence in findings]
    assert places == sorted(places)
    assert places[-1] < page.text.index("The pickups at a glance", places[0])
    assert any("RMS level" in sentence and "hotter" in sentence for sentence in findings)
    assert any("pick differed" in sentence for sentence in findings)


def test_nothing_shown_is_not_called_equal(served: tuple[Service, str]) -> None:
    found = asked(served[0], quantity="crest_db,rms_dbfs")
    crest = next(row for row in found["comparison"]["results"] if row["quantity"] == "crest_db")
    assert crest["verdict"] == "no-difference-shown"
    assert any("crest factor. That is not to say that there is none." in sentence for sentence in found["findings"])


def test_baseline_says_why_it_was_chosen(served: tuple[Service, str], page: Page) -> None:
    assert "harbour-neck is the reference that the session's sheet names." in page.text
    found = asked(served[0], baseline="mill-bridge")
    assert found["baseline"] == {"key": "mill-bridge", "why": None}
    assert found["comparison"]["baseline"] == "mill-bridge"


def test_what_was_left_out_says_why_and_what_to_do(page: Page) -> None:
    left_out = page.rows("Takes that do not count")
    assert left_out["nameless"][1] == "It names no pickup; say in its description whose it is."
    assert left_out["hiss"][0] == "quay-bridge"
    assert "Check the cable" in left_out["hiss"][1]


def test_appendix_has_the_hash_of_every_recording(page: Page) -> None:
    recordings = page.rows("The recordings")
    assert recordings["hiss"][-1] == hashlib.sha256(hiss()).hexdigest()
    assert [len(cells[-1]) for name, cells in recordings.items() if name != "Take"] == [64] * 6


def test_page_is_one_file_that_fetches_and_runs_nothing(served: tuple[Service, str], page: Page) -> None:
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "base", "form")
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/svg+xml;base64,"))
    style = page.source.partition("<style>")[2].partition("</style>")[0]
    policy = next(a["content"] for t, a in page.tags if t == "meta" and "http-equiv" in a) or ""
    assert base64.b64encode(hashlib.sha256(style.encode()).digest()).decode() in policy
    assert "@import" not in style
    assert "url(" not in style
    header = served[0].client.get(f"/v1/sessions/{SESSION}/report").headers["Content-Security-Policy"]
    assert header.startswith(policy)


def test_page_is_made_for_all_readers(page: Page) -> None:
    assert ("html", {"lang": "en"}) in page.tags
    images = [attributes for tag, attributes in page.tags if tag == "img"]
    assert images
    assert all("dB" in (image["alt"] or "") for image in images)
    tables = sum(tag == "table" for tag, _ in page.tags)
    assert tables == sum(tag == "caption" for tag, _ in page.tags) == len(page.tables)
    assert all(attributes.get("scope") in ("row", "col") for tag, attributes in page.tags if tag == "th")


def test_text_of_users_stays_text(page: Page, paper: str) -> None:
    assert HOSTILE in page.text
    assert QUESTION in page.text
    assert "<script" not in page.source
    assert HOSTILE in paper
    assert QUESTION in paper


def test_paper_says_what_the_page_says(served: tuple[Service, str], paper: str, page: Page) -> None:
    for sentence in asked(served[0])["findings"]:
        assert sentence in paper
    cells = ["harbour-neck", *page.rows(LEVEL)["harbour-neck"][:4]]
    assert " ".join(cells) in paper
    for section in ("How it was recorded", "What was left out, and why", "Definitions and method", "Care"):
        assert section in paper


def test_paper_is_tagged_and_titled(served: tuple[Service, str]) -> None:
    content = served[0].client.get(f"/v1/sessions/{SESSION}/report?format=pdf").data
    assert b"/StructTreeRoot" in content
    assert b"pdfuaid" in content
    assert b"/Lang" in content


def test_letters_that_no_font_has_are_boxes_and_no_failure(tmp_path: Path) -> None:
    from coilbench_service.report.blocks import Document, Paragraph, Section

    odd = "\U000e0041 \ufdd0 日本 \x01 a\u0301 \ufeff"
    section = Section("found", "What was found", (Paragraph(f"before {odd} after"),))
    paper = pdf.pdf(Document("Odd", "letters", "2026-03-01T00:00:00Z", (section,)))
    found = text_of(paper, tmp_path)
    assert "before" in found
    assert "after" in found


def test_a_sign_that_accessible_paper_may_not_hold_is_left_away(tmp_path: Path) -> None:
    from coilbench_service.report.blocks import Document, Paragraph, Section

    section = Section("found", "What was found", (Paragraph("before\ufeff after"),))
    paper = pdf.pdf(Document("Odd", "letters", "2026-03-01T00:00:00Z", (section,)))
    assert b"pdfuaid" in paper
    assert "before after" in text_of(paper, tmp_path)


def test_single_take_is_told_without_a_comparison(served: tuple[Service, str]) -> None:
    address = f"/v1/sessions/{quote(ALONE, safe='')}/report"
    answers = {form: served[0].client.get(f"{address}?format={form}") for form in ("html", "pdf", "json")}
    assert {answer.status_code for answer in answers.values()} == {200}
    assert quote(ALONE, safe="") in answers["pdf"].headers["Content-Disposition"]
    found = answers["json"].json
    assert found["comparison"] is None
    assert found["sheet"] is None
    assert "the only pickup of the session" in found["findings"][-1]
    assert "one take" in found["findings"][0]
    assert "1 take is not measured yet: make the report again." in Page(answers["html"].text).text


def test_session_of_spoiled_takes_says_why(served: tuple[Service, str]) -> None:
    answer = served[0].client.get("/v1/sessions/spoiled/report")
    assert answer.status_code == 200
    found = Page(answer.text)
    assert "The only take of the session can't carry a comparison" in found.text
    assert "Check the cable" in found.rows("Takes that do not count")["hiss-2.wav"][1]
    assert served[0].client.get("/v1/sessions/spoiled/report?format=pdf").status_code == 200


def test_session_that_can_not_be_told_of_is_a_problem(served: tuple[Service, str]) -> None:
    client = served[0].client
    assert_problem(client.get("/v1/sessions/nowhere/report"), 404, "session-unknown")
    assert_problem(client.get("/v1/sessions/empty/report"), 422, "nothing-to-compare")
    assert_problem(client.get("/v1/sessions/waiting/report"), 409, "not-measured-yet")
    address = f"/v1/sessions/{SESSION}/report"
    assert_problem(client.get(f"{address}?baseline=nowhere"), 422, "subject-unknown")
    assert_problem(client.get(f"{address}?baseline=quay-bridge"), 422, "nothing-to-compare")
    assert_problem(client.get(f"{address}?quantity=sparkle"), 422, "invalid-request")
    assert_problem(client.get(f"{address}?format=docx"), 422, "invalid-request")
    assert_problem(client.get(address, headers={"Accept": "text/csv"}), 406, "not-acceptable")


def test_more_pickups_than_pages_can_hold_are_a_problem(
    served: tuple[Service, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(contents, "MOST_PICKUPS", 2)
    body = assert_problem(served[0].client.get(f"/v1/sessions/{SESSION}/report"), 422, "too-many-takes")
    assert "has 3 pickups; a report holds 2" in body["detail"]


def test_few_differences_are_told_one_by_one(served: tuple[Service, str], page: Page, paper: str) -> None:
    for row in asked(served[0])["comparison"]["results"]:
        if row["withheld"] is None:
            assert said(row["sentence"]) in page.text
            assert said(row["sentence"]) in paper


def test_client_saves_each_form(served: tuple[Service, str], tmp_path: Path) -> None:
    begins = {".html": b"<!doctype html>", ".pdf": b"%PDF-", ".json": b"{"}
    with Client(served[1], retries=0) as bench:
        for suffix, begin in begins.items():
            path = bench.report(SESSION, tmp_path / f"report{suffix}", quantities=["rms_dbfs"], confidence=0.9)
            assert path.read_bytes().startswith(begin)
        with pytest.raises(UnknownFormat, match=r"report\.docx"):
            bench.report(SESSION, tmp_path / "report.docx")
        with pytest.raises(NotFound):
            bench.report("nowhere", tmp_path / "nowhere.html")
    assert not (tmp_path / "nowhere.html").exists()


def test_command_saves_a_report_or_says_why_not(
    served: tuple[Service, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typed: Command = typed_at(served[1], capsys)
    path = tmp_path / "report.html"
    status, _, err = typed("report", "--session", SESSION, "--baseline", "mill-bridge", "-o", path)
    assert (status, err) == (0, f"{path}: the report on {SESSION}\n")
    assert "harbour-neck" in Page(path.read_text("utf-8")).text
    status, _, err = typed("report", "--session", SESSION, "-o", tmp_path / "report.docx")
    assert status == 2
    assert ".html, .pdf, .json" in err
    status, _, err = typed("report", "--session", "nowhere", "-o", path)
    assert status == 1
    assert "nowhere" in err


def test_sentences_of_the_service_keep_their_figures() -> None:
    assert said("by 3.1 dB (95 % interval -2.0 to 4.2)") == "by 3.1 dB (95 % interval −2.0 to 4.2)"
