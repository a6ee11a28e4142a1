"""`matline demo --serve` in a real browser, with a stand-in for measuring the sample clips."""

from pathlib import Path

from browsing import started, visitors
from playwright.sync_api import Browser, expect

from service import demo


def test_a_visitor_finds_life_on_every_page(browser: Browser, tmp_path: Path) -> None:
    said, story = tmp_path / "said", demo.scenario()
    command = ["demo", "--serve", "--folder", str(tmp_path / "look")]
    with started(command, said, {"MATLINE_MEASURE": "pictured:rich"}) as url:
        told = said.read_text()
        assert all(demo.email(p.name) in told for p in (*story.staff, *story.client))
        assert story.password in told
        for visit in visitors(browser, url):
            mara = visit("Mara")
            mara.go("/")
            mara.page.get_by_label("E-mail address").fill("mara@example.org")
            mara.page.get_by_label("Password").fill(story.password)
            mara.press("Sign in")
            mara.sees(f"{story.client[0].name}: ")  # the first client is there from the start
            for _ in range(120):
                mara.go("/clients")
                if "warning sign open" in mara.page.locator("main").inner_text():
                    break
                mara.page.wait_for_timeout(500)
            for client in story.client:
                mara.page.get_by_role("link", name=client.name).click()
                expect(mara.page.locator("a[href^='/clips/']").first).to_be_visible()
                mara.sees_not("No session yet.")
                mara.go("/clients")
            mara.page.get_by_role("link", name="Ada Moss").click()
            mara.page.get_by_role("link", name="Over the weeks").click()
            mara.sees("12 clips")
            expect(mara.page.locator("figure svg").first).to_be_visible()
            mara.page.locator("a[href^='/clips/']").first.click()
            expect(mara.page.locator("[data-viewer][data-track=there]")).to_be_visible()
    assert "Ida Stone: done." in said.read_text()
