"""The coach's pages in a real browser: queue, review locked to the moment, programme, targets, levels."""

import re
from pathlib import Path

import pytest
from browsing import PHONE, Visit, Visitor, joined, measured, owner, programme, session_of
from playwright.sync_api import expect

TILTED_AT = 3.2  # s, of the finding F1 of `pictured`
CURSORS = "[...document.querySelectorAll('.cursor')].map((c) => parseFloat(c.style.left))"
DRAWN = """() => { const c = document.querySelector('.film canvas');
  const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  let left = c.width;
  for (let i = 3; i < d.length; i += 4) if (d[i]) left = Math.min(left, (i >> 2) % c.width);
  return left / c.width; }"""


@pytest.fixture
def coach(visit: Visit) -> Visitor:
    return owner(visit)


def opened(visit: Visit, coach: Visitor, name: str, clip: Path) -> Visitor:
    """The coach at the review of a new client's clip, come to through the queue."""
    client = joined(visit, coach, name)
    measured(client, clip, programme(coach, client), session_of(client))
    coach.go("/")
    coach.page.get_by_role("link", name=f"{name}: Toe tap").click()
    expect(coach.page.get_by_role("heading", name=f"Toe tap: {name}")).to_be_visible()
    expect(coach.page.locator("[data-viewer][data-track=there]")).to_be_visible()
    return client


def played_at(coach: Visitor) -> float:
    return float(coach.page.evaluate("document.querySelector('video').currentTime"))


def at(coach: Visitor, seconds: float) -> None:
    """Video, cursor of every curve, slider and the moment of a comment are at the same time."""
    expect(coach.page.locator("[data-now]")).to_have_text(f"{seconds:.1f} s")
    assert played_at(coach) == pytest.approx(seconds, abs=0.06)
    end = float(coach.page.locator("[data-viewer]").get_attribute("data-end") or 0)
    cursors = coach.page.evaluate(CURSORS)
    assert len(cursors) >= 2
    assert all(place == pytest.approx(100 * seconds / end, abs=1) for place in cursors)
    assert float(coach.page.locator("[data-scrub]").input_value()) == pytest.approx(seconds, abs=0.06)
    assert float(coach.page.locator("[data-moment]").input_value()) == pytest.approx(seconds, abs=0.06)


def test_findings_video_and_curves_are_one_moment(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    opened(visit, coach, "Cleo", long_clip)
    coach.sees("4 repetitions (2 left, 2 right)")
    coach.page.locator("#F1").get_by_role("button", name="Go to 3.2").click()
    at(coach, TILTED_AT)
    coach.page.locator("[data-scrub]").fill("6.4")
    at(coach, 6.4)
    coach.page.locator("[data-scrub]").press("ArrowRight")
    at(coach, 6.42)
    plot = coach.page.locator("[data-plot]").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    assert box
    coach.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    end = float(coach.page.locator("[data-viewer]").get_attribute("data-end") or 0)
    coach.page.wait_for_timeout(200)  # for the picture that the video finds there
    assert played_at(coach) == pytest.approx(end / 2, abs=0.06)
    coach.page.locator("[data-scrub]").fill("5")
    for step in ("On 0.1 s", "On 0.1 s", "Back 0.1 s"):
        coach.press(step)
    at(coach, 5.1)
    coach.page.get_by_role("button", name="2.6–3.8").click()
    at(coach, 2.6)
    coach.page.evaluate("document.querySelector('video').play()")
    expect(coach.page.locator("[data-now]")).to_have_text(re.compile(r"[3-7]\.\d s"))  # the cursor follows


def test_body_lines_follow_and_can_be_hidden(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    opened(visit, coach, "Dana", long_clip)
    coach.expect_problem("willReadFrequently")  # of this test, which reads the drawing
    button = coach.page.get_by_role("button", name="Body lines")
    expect(button).to_have_attribute("aria-pressed", "true")
    coach.page.locator("[data-scrub]").fill("0.5")
    before = coach.page.evaluate(DRAWN)
    assert 0.2 < before < 0.5
    coach.page.locator("[data-scrub]").fill("7.5")
    assert coach.page.evaluate(DRAWN) > before + 0.15, "the lines did not move with the body"
    button.click()
    expect(button).to_have_attribute("aria-pressed", "false")
    assert coach.page.evaluate(DRAWN) == 1.0, "hidden lines are still drawn"
    button.click()
    assert coach.page.evaluate(DRAWN) < 1.0


def test_decide_comment_and_send_feedback(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    client = opened(visit, coach, "Emil", long_clip)
    finding = coach.page.locator("#F1")
    finding.get_by_role("button", name="Accept F1").click()
    expect(finding).to_contain_text("✓ accepted")
    finding.get_by_role("button", name="Take back the decision on F1").click()
    coach.expect_problem("422")
    finding.get_by_role("button", name="Dismiss F1").click()
    expect(finding.get_by_role("alert")).to_have_text("Say why the finding is dismissed.")
    finding.get_by_label("Reason to dismiss F1").fill("the shirt moved")
    finding.get_by_role("button", name="Dismiss F1").click()
    expect(finding).to_contain_text("✗ dismissed: the shirt moved")

    coach.page.locator("[data-scrub]").fill("3.2")
    coach.page.get_by_label("Comment at this moment").fill("Here the foot is late.")
    coach.press("Add the comment")
    coach.sees("Here the foot is late.")
    at(coach, 3.2)  # the page comes back to the same moment
    coach.page.get_by_label("What to say and set next").fill("Slower, and smaller.")
    coach.press("Send the feedback")
    coach.sees("Waiting for a review")
    coach.sees_not("Emil")

    client.go("/")
    client.sees("Slower, and smaller.")
    client.page.get_by_role("link", name="See the clip it is about").click()
    client.sees("Here the foot is late.")
    client.sees("Take about two seconds each way.")
    client.sees_not("Make the movement smaller.")  # its finding was dismissed
    client.press("I have read it")
    expect(client.page.get_by_role("button", name="I have read it")).to_have_count(0)
    client.go("/")
    client.sees_not("Slower, and smaller.")


def test_programme_targets_and_levels(visit: Visit, coach: Visitor) -> None:
    client = joined(visit, coach, "Fay")
    coach.go("/clients")
    coach.page.get_by_role("link", name="Fay").click()
    form = coach.page.locator("form[data-send$='/programme']")
    form.get_by_label("Exercise").select_option(label="Leg extension")
    form.get_by_label("Side").select_option("left")
    form.get_by_label("Repetitions").fill("6")
    form.get_by_label("Tempo, one way [s]").fill("2.5")
    form.get_by_label("Range [degrees]").fill("40")
    form.get_by_label("Note to the client").fill("Only as far as it is calm.")
    form.get_by_role("button", name="Add to the programme").click()
    item = coach.page.locator("details.item", has_text="Leg extension: 6 repetitions")
    expect(item).to_contain_text("2.5 s each way, about 40° of movement, left side")
    item.locator("summary").click()
    item.get_by_label("Repetitions").fill("5")
    coach.expect_problem("status of 422")
    days = item.get_by_role("checkbox").all()
    for day in days:
        day.uncheck()
    item.get_by_role("button", name="Keep the changes").click()
    expect(item.get_by_role("alert").first).to_have_text("Choose at least one day.")
    for day in days[1:]:
        day.check()
    item.get_by_role("button", name="Keep the changes").click()
    item = coach.page.locator("details.item", has_text="Leg extension: 5 repetitions")
    expect(item).to_be_visible()
    stored = coach.api("GET", f"/clients/{client.id}/programme")[0]
    assert (stored["repetitions"], stored["days"]) == (5, [2, 3, 4, 5, 6, 7])

    item.locator("summary").click()
    item.get_by_label("Why easier").fill("the low back arches")
    item.locator("form", has_text="A level easier").get_by_role("button", name="Propose").click()
    coach.sees("the low back arches proposed")
    easier = coach.api("GET", f"/clients/{client.id}/proposals")[0]["exercise"]
    coach.page.get_by_role("button", name="Confirm easier").click()
    coach.sees("the low back arches confirmed")
    assert coach.api("GET", f"/clients/{client.id}/programme")[0]["exercise"] == easier != "leg_extension"

    targets = coach.page.locator("section", has=coach.page.get_by_role("heading", name="Targets of Fay"))
    targets.get_by_label("Target").select_option(label="Pelvis may move [degrees]")
    targets.get_by_label("Value").fill("500")
    targets.get_by_role("button", name="Set the target").click()
    expect(targets.get_by_role("alert").last).to_have_text("Choose a value above 0 and not above 90.")
    targets.get_by_label("Value").fill("7.5")
    targets.get_by_role("button", name="Set the target").click()
    expect(targets).to_contain_text("Pelvis may move [degrees] 7.5")
    targets.get_by_role("button", name="Back to the common one").click()
    expect(targets).to_contain_text("The common ones.")
    coach.page.locator("details.item").first.locator("summary").click()
    coach.press("Take out of the programme")
    coach.sees("Nothing is in the programme yet.")


def test_a_form_in_words_comes_to_the_client_and_goes_again(visit: Visit, coach: Visitor) -> None:
    client = joined(visit, coach, "Gus")
    programme(coach, client)
    session_of(client)
    move(coach, client, "easier", "Slide the heel instead of lifting the foot")
    client.go("/")
    client.sees("Slide the heel instead of lifting the foot")
    client.sees("The heel slides only as far as the pelvis stays still.")
    move(coach, client, "harder", "Toe tap as usual")
    client.go("/")
    client.sees_not("Slide the heel")


def test_on_a_phone_a_finding_brings_the_video_into_view(
    visit: Visit, coach: Visitor, long_clip: Path
) -> None:
    opened(visit, coach, "Wes", long_clip)
    coach.page.set_viewport_size(PHONE)
    coach.page.locator("ul.findings").get_by_role("button", name=re.compile("Go to")).first.click()
    expect(coach.page.locator("video")).to_be_in_viewport(ratio=0.9)


def test_an_advised_form_is_taken_up_in_one_step(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    client = joined(visit, coach, "Uma")
    item = programme(coach, client)
    for _ in range(2):
        session = session_of(client)
        measured(client, long_clip, item, session)
        client.api("POST", f"/sessions/{session}/end", {"pain_after": 6})
    session_of(client)
    client.go("/")
    client.sees_not("Slide the heel")
    coach.go(f"/clients/{client.id}")
    box = coach.page.locator(".change", has_text="Consider the easier form")
    expect(box).to_contain_text("The heel slides only as far as the pelvis stays still.")
    expect(box.get_by_label("Why")).to_have_value(re.compile("Pain rose from 2 to 6"))
    box.get_by_role("button", name="Set it in the programme").click()
    expect(box).to_contain_text("✓ In the programme now.")
    expect(box.get_by_role("button")).to_have_count(0)
    made = coach.api("GET", f"/clients/{client.id}/proposals")
    assert [(p["state"], p["form"]) for p in made] == [
        ("confirmed", "Slide the heel instead of lifting the foot")
    ]
    client.go("/")
    client.sees("Slide the heel instead of lifting the foot")


def move(coach: Visitor, client: Visitor, way: str, to: str) -> None:
    """Propose a level and confirm it, on the client's page."""
    coach.go(f"/clients/{client.id}")
    item = coach.page.locator("details.item", has_text="Toe tap").first
    item.locator("summary").click()
    form = item.locator("form", has_text=f"A level {way}")
    form.get_by_label("To").select_option(label=to)
    form.get_by_label(f"Why {way}").fill("as agreed")
    form.get_by_role("button", name="Propose").click()
    coach.press(f"Confirm {way}")
    expect(coach.page.get_by_role("button", name=f"Confirm {way}")).to_have_count(0)
