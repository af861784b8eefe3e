"""Signing in with a real browser, at work with the cookie, and out again."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from browser.visitor import visiting
from keyholders import key_made, revoked
from served import served_service


def test_a_browser_signs_in_works_with_what_its_key_opens_and_signs_out(browser: Browser, tmp_path: Path) -> None:
    with served_service(tmp_path / "data", keys="always") as (service, url), visiting(browser, service, url) as visit:
        read, write = key_made(service, "read"), key_made(service, "write")
        visitor = visit()
        for status, path in ((401, "/sign-in"), (403, "/v1/pickups"), (401, "/v1/pickups")):
            visitor.expect_answer(status, path)
        page = visitor.at("/pickups?against=true")
        field = page.get_by_label("Access key")
        visitor.picture("sign-in")
        assert visitor.violations() == []
        field.fill(read[:-3])
        field.press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("This key opens nothing here")
        assert visitor.violations() == []
        field.fill(read)
        page.get_by_role("button", name="Sign in").click()
        expect(page).to_have_url(f"{url}/pickups?against=true")
        expect(page.locator(".signed-in")).to_contain_text("Signed in as the read key")
        assert visitor.violations() == []
        (cookie,) = visitor.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"], cookie["path"]) == (True, "Strict", "/")
        assert page.evaluate("document.cookie") == ""
        _make_a_sheet(page)
        expect(page.get_by_role("alert")).to_contain_text("Sign out, then sign in with one that may")
        page.get_by_role("button", name="Sign out").click()
        expect(page).to_have_url(f"{url}/sign-in")
        assert visitor.context.cookies() == []
        field.fill(write)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator(".signed-in")).to_contain_text("Signed in as the write key")
        page.goto("/pickups")
        _make_a_sheet(page)
        expect(page.get_by_role("heading", level=1)).to_have_text("tarn-neck")
        page.goto("/pickups")
        revoked(service, write)
        _make_a_sheet(page)
        expect(page.get_by_role("alert")).to_contain_text("Load this page anew to sign in again")
        page.reload()
        expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def _make_a_sheet(page: Page) -> None:
    page.locator("#add-key").fill("tarn-neck")
    page.get_by_role("button", name="Make its sheet").click()
