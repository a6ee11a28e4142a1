"""`matline demo --serve` in a real browser, with a stand-in for measuring the sample clips."""

from pathlib import Path

from browsing import started, visitors
from playwright.sync_api import Browser, expect

from service import demo


def test_a_visitor_finds_life(browser: Browser, tmp_path: Path) -> None:
    said, story = tmp_path / "said", demo.scenario()
    first = story.client[0]
    command = ["demo", "--serve", "--folder", str(tmp_path / "look")]
    with started(command, said, {"MATLINE_MEASURE": "pictured:rich"}) as url:
        told = said.read_text()
        assert all(demo.email(p.name) in told for p in (*story.staff, *story.client))
        assert f"{first.name}: done." in told, "somebody is there from the start"
        for visit in visitors(browser, url):
            mara = visit("Mara")
            mara.go("/")
            mara.page.get_by_label("E-mail address").fill("mara@example.org")
            mara.page.get_by_label("Password").fill(story.password)
            mara.press("Sign in")
            mara.sees(f"{first.name}: ")
            mara.page.get_by_role("link", name="Clients").click()
            assert all(client.name in mara.page.locator("main").inner_text() for client in story.client)
            mara.page.get_by_role("link", name=first.name).click()
            expect(mara.page.get_by_text("pain 3 before, 2 after").first).to_be_visible()
            mara.page.get_by_role("link", name="Over the weeks").click()
            mara.sees(f"{first.weeks * first.per_week} clips")
            expect(mara.page.locator("figure svg").first).to_be_visible()
            mara.page.locator("ul.rows a[href^='/clips/']").first.click()
            expect(mara.page.locator("[data-viewer][data-track=there]")).to_be_visible()
    assert "Traceback" not in said.read_text()
