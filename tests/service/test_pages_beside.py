"""Two sessions side by side in a real browser: both videos at the same phase of the same repetition."""

from pathlib import Path

import pytest
from browsing import EVERY_DAY, PHONE, Visit, Visitor, joined, measured, owner, programme, session_of
from fake_sessions import report
from pictured import LATE_DEG, LATE_S, LATE_TURN, LONG, STARTS
from playwright.sync_api import expect

from service.pages.beside import pairs

TIMES = "[...document.querySelectorAll('[data-beside] video')].map((v) => v.currentTime)"
SETTLED = "[...document.querySelectorAll('[data-beside] video')].every((v) => !v.seeking && v.readyState > 1)"


def shown(visitor: Visitor, then: float, now: float) -> None:
    """Each video has arrived at its moment [s]."""
    for _ in range(200):
        if visitor.page.evaluate(SETTLED):
            break
        visitor.page.wait_for_timeout(50)
    assert visitor.page.evaluate(TIMES) == pytest.approx([then, now], abs=0.02)


def two_sessions(visit: Visit, clip: Path, name: str) -> tuple[Visitor, Visitor, list[str]]:
    """A coach and a client with a first clip, and a second with later repetitions that turn later."""
    coach = owner(visit)
    client = joined(visit, coach, name)
    item, session = programme(coach, client, range_deg=30), session_of(client)
    first = measured(client, clip, item, session)
    coach.api("PUT", f"/programme/{item}", {"exercise": "toe_tap", "range_deg": LATE_DEG, "days": EVERY_DAY})
    return coach, client, [first, measured(client, clip, item, session)]


def test_videos_are_in_step_by_the_phase_of_the_repetition(visit: Visit, long_clip: Path) -> None:
    coach, _, (first, second) = two_sessions(visit, long_clip, "Cleo")
    coach.go(f"/clips/{first}/beside")  # from the older one, too, the older one is "then"
    assert coach.page.url.endswith(f"?then={second}")
    coach.page.get_by_role("link", name="Over the weeks").first.click()
    coach.page.get_by_role("link", name="First and last session side by side").click()
    coach.sees("30.0°, then 45.0°")
    shown(coach, STARTS[0], STARTS[0] + LATE_S)
    slider = coach.page.locator("[data-phase]")
    slider.fill("50")
    shown(coach, STARTS[0] + LONG / 2, STARTS[0] + LATE_S + LATE_TURN * LONG)
    expect(coach.page.locator("[data-beside] output")).to_have_text("far end")
    slider.fill("100")
    shown(coach, STARTS[0] + LONG, STARTS[0] + LATE_S + LONG)
    coach.page.get_by_role("button", name="2 right, then 2 right").click()
    shown(coach, STARTS[1], STARTS[1] + LATE_S)
    play = coach.page.get_by_role("button", name="Play both")
    play.click()
    expect(play).to_have_attribute("aria-pressed", "true")
    expect(play).to_have_attribute("aria-pressed", "false")  # it stops at the end of the repetition
    shown(coach, STARTS[1] + LONG, STARTS[1] + LATE_S + LONG)


def test_the_client_sees_the_page_on_a_phone_and_others_nothing(visit: Visit, long_clip: Path) -> None:
    coach, client, (_, second) = two_sessions(visit, long_clip, "Dana")
    client.page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    client.go(f"/clips/{second}")
    client.page.get_by_role("link", name="Then and now: beside another session").click()
    client.sees("The same repetition then and now")
    assert client.wide() <= 0
    other = joined(visit, coach, "Emil")
    other.expect_problem("404")
    assert other.page.goto(client.page.url).status == 404  # type: ignore[union-attr]
    foreign = measured(other, long_clip, programme(coach, other), session_of(other))
    coach.expect_problem("404")
    assert coach.page.goto(f"{coach.url}/clips/{second}/beside?then={foreign}").status == 404  # type: ignore[union-attr]
    other.go(f"/clips/{foreign}/beside")
    other.sees("There is no other measured clip of this exercise yet.")


def test_repetitions_are_paired_side_by_side() -> None:
    old = report(ranges={"left": [40.0, 41, 42], "right": [30.0]})
    new = report(ranges={"right": [31.0, 32], "left": [43.0]})
    found = [(a.side, a.measures.range_deg, b.measures.range_deg) for a, b in pairs(old, new)]
    assert found == [("right", 30.0, 31.0), ("left", 40.0, 43.0)]
