"""A practice's first day in a real browser: client, coach and physio, from the first account to feedback on a
real sample clip, measured with the real pose model."""

import re

import pytest
from browsing import CLIPS, PHONE, Visit, Visitor
from desk import PASSWORD
from playwright.sync_api import expect

MEASURE = "service.measure:measure"
RAW = re.compile(r"\b[a-z]+_[a-z_]+\b|\d\.\d{3,}|\bnan\b|\bNone\b")  # codes and numbers not made for people
LINK = re.compile(r"http://127\.0\.0\.1:\d+/join#\S+")


@pytest.mark.timeout(900)
def test_from_the_first_account_to_feedback(visit: Visit) -> None:
    coach, client = visit("Olive"), visit("Cleo", PHONE)
    first_account(coach)
    join_by_link(client, invitation(coach))
    physio = visit("Pia")
    join_as_staff(physio, invitation(coach, "physio"))
    consent(client)
    write_programme(coach)
    send_the_clip(client)
    read_the_result(client)
    review(coach)
    read_the_ranges(physio)
    read_the_feedback(client)


def first_account(coach: Visitor) -> None:
    coach.go("/")
    expect(coach.page.get_by_role("heading", name="First set-up")).to_be_visible()
    fields = {"Name of the practice": "Room Six", "My name": "Olive", "E-mail address": "olive@example.org"}
    for label, text in fields.items():
        coach.page.get_by_label(label).fill(text)
    coach.page.get_by_label("Password").fill(PASSWORD)
    coach.press("Make the account")
    coach.sees("No clip is waiting.")
    coach.page.get_by_role("link", name="Practice").click()
    coach.page.get_by_label("Whom clients call").fill("Call Olive, 555 0100.")
    coach.press("Keep the settings")
    coach.sees("✓ The settings are kept.")
    coach.page.get_by_role("link", name="New clips").click()


def invitation(coach: Visitor, role: str = "client") -> str:
    coach.go("/")
    coach.page.get_by_role("link", name="Clients", exact=True).click()
    coach.page.get_by_label("Whom").select_option(role)
    expect(coach.page.get_by_role("button", name="Copy it")).to_have_count(0)
    coach.press("Make a link")
    place = coach.page.locator(".secret")
    expect(place).to_have_text(LINK)
    coach.page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    coach.press("Copy it")
    expect(coach.page.get_by_role("button", name="✓ Copied")).to_be_visible()
    link = place.inner_text()
    assert coach.page.evaluate("navigator.clipboard.readText()") == link
    return link


def join_by_link(client: Visitor, link: str) -> None:
    client.page.goto(link)
    client.page.get_by_label("My name").fill("Cleo")
    client.page.get_by_label("E-mail address").fill("cleo@example.org")
    client.page.get_by_label("Password").fill(PASSWORD)
    client.page.get_by_label("The coach or physio who invited me may see my results.").check()
    client.press("Join")


def join_as_staff(physio: Visitor, link: str) -> None:
    physio.page.goto(link)
    physio.page.get_by_label("My name").fill("Pia")
    physio.page.get_by_label("E-mail address").fill("pia@example.org")
    physio.page.get_by_label("Password").fill(PASSWORD)
    physio.press("Join")
    physio.go("/clients")
    physio.sees_not("Cleo")  # who has not agreed yet


def consent(client: Visitor) -> None:
    client.go("/privacy")
    client.sees("Your data, your decision")
    client.sees("Olive, coach: ✓ may see")
    client.press("Let Pia see them")
    client.sees("Pia, physio: ✓ may see")
    for purpose in ("Store my clips", "Let the coach", "Keep my results"):
        client.page.get_by_role("button", name=re.compile(f"I agree ?: {purpose}")).click()
        expect(client.page.get_by_role("button", name=re.compile(f"Take back ?: {purpose}"))).to_be_visible()
    client.page.get_by_role("link", name="Go on to today").click()
    client.sees("Nothing is planned for today.")


def write_programme(coach: Visitor) -> None:
    coach.go("/clients")
    coach.page.get_by_role("link", name="Cleo").click()
    form = coach.page.locator("form[data-send$='/programme']")
    form.get_by_label("Exercise").select_option(label="Toe tap")
    form.get_by_label("Repetitions").fill("6")
    form.get_by_role("button", name="Add to the programme").click()
    coach.sees("Toe tap: 6 repetitions")


def send_the_clip(client: Visitor) -> None:
    client.page.reload()
    client.answer_questions()
    client.page.get_by_label("Choose a clip of Toe tap").set_input_files(CLIPS / "toe_tap_921.mp4")
    client.sees("The clip is being measured")
    expect(client.page.locator("[data-progress] [role=status]")).to_have_text(
        re.compile(r"Measuring: [1-9]\d? %"), timeout=120_000
    )
    client.page.get_by_role("heading", name="What was seen").wait_for(timeout=600_000)


def read_the_result(client: Visitor) -> None:
    headings = client.page.get_by_role("heading", level=2).all_inner_texts()
    assert (
        headings.index("Before you move") < headings.index("What was seen") < headings.index("What to change")
    )
    assert client.page.locator(".rep").count() == 6
    assert not RAW.findall(client.page.locator("main").inner_text())
    assert client.page.evaluate("document.querySelector('video').videoWidth") > 0
    client.page.get_by_role("link", name="Back to today").click()
    client.page.locator("input[name=pain_after][value='2']").check()
    client.press("End the session")
    client.sees("Pain 2 before, 2 after.")


def review(coach: Visitor) -> None:
    coach.go("/")
    coach.page.get_by_role("link", name="Cleo: Toe tap").click()
    expect(coach.page.locator("[data-viewer][data-track=there]")).to_be_visible()
    assert not RAW.findall(coach.page.locator("main").inner_text())
    goes = coach.page.locator("#F1 [data-seek]")
    there = float(goes.get_attribute("data-seek") or 0)
    goes.click()
    expect(coach.page.locator("[data-now]")).to_have_text(f"{there:.1f} s")
    assert coach.page.evaluate("document.querySelector('video').currentTime") == pytest.approx(
        there, abs=0.06
    )
    coach.page.get_by_role("button", name="Accept F1").click()
    expect(coach.page.locator("#F1")).to_contain_text("✓ accepted")
    coach.page.get_by_label("What to say and set next").fill("Calm. Choose one spot and tap it.")
    coach.press("Send the feedback")
    coach.sees("No clip is waiting.")


def read_the_ranges(physio: Visitor) -> None:
    physio.go("/clients")
    physio.page.get_by_role("link", name="Cleo").click()
    physio.page.locator("a[href^='/clips/']").first.click()
    physio.page.get_by_role("link", name="Range of motion").click()
    lowest = physio.page.get_by_role("row", name=re.compile("Knee flexion, left, lowest"))
    here = lowest.get_by_role("cell").first.inner_text()
    assert re.fullmatch(r"\d+\.\d° ± \d+\.\d°", here), here
    physio.sees("A reference is context, never pass or fail")
    with physio.page.expect_download() as paper:
        physio.page.get_by_role("link", name="Print as PDF").click()
    assert paper.value.path().read_bytes().startswith(b"%PDF")


def read_the_feedback(client: Visitor) -> None:
    client.page.get_by_role("link", name="Today").click()
    client.sees("Calm. Choose one spot and tap it.")
    client.page.get_by_role("link", name="See the clip it is about").click()
    client.press("I have read it")
    expect(client.page.get_by_role("button", name="I have read it")).to_have_count(0)
