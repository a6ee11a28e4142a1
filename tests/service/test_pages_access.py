"""Every page: an accessibility engine (WCAG 2.2 A, AA), 320 px wide, words and not codes; keyboard paths."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from browsing import (
    DESKTOP,
    NARROW,
    PHONE,
    TABLET,
    Visit,
    Visitor,
    joined,
    measured,
    owner,
    programme,
    session_of,
    visitors,
)
from desk import PASSWORD
from pictured import ENDLESS_DEG
from playwright.sync_api import Browser, expect

from analysis import conventions

RAW = re.compile(r"\b[a-z]+_[a-z_]+\b|\d\.\d{3,}|\bnan\b|\bNone\b")  # codes and numbers not made for people


@dataclass
class Practice:
    """Everybody of a filled practice, and the address of each page with who opens it."""

    people: dict[str, Visitor]
    pages: dict[str, tuple[str, str]]


@pytest.fixture(scope="module")
def practice(browser: Browser, site: str, long_clip: Path) -> Iterator[Practice]:
    for visit in visitors(browser, site):
        yield filled(visit, long_clip)


def filled(visit: Visit, clip: Path) -> Practice:
    stranger = visit("Stranger")
    stranger.expect_problem("404")  # the page that tells a problem
    stranger.go("/first-run")
    assert not stranger.barriers(), stranger.barriers()
    coach = owner(visit)
    physio = joined(visit, coach, "Pia", "physio")
    client, warned = joined(visit, coach, "Cleo"), joined(visit, coach, "Ida")
    client.api("PUT", f"/me/staff/{physio.id}")
    item, session = programme(coach, client, tempo_s=2.5, note="Calm."), session_of(client)
    measured(client, clip, item, session)
    newest = measured(client, clip, item, session)
    coach.api("PUT", f"/clips/{newest}/findings/r4.rushed.0", {"accepted": False, "reason": "slow motion"})
    coach.api("POST", f"/clips/{newest}/comments", {"at_s": 1.5, "text": "Look here."})
    coach.api("POST", f"/clips/{newest}/feedback", {"text": "Slower."})
    coach.api("PUT", f"/clients/{client.id}/targets", {"exercise": "clam", "name": "range_deg", "value": 40})
    level = {"direction": "easier", "exercise": "pelvic_tilt", "reason": "arches"}
    coach.api("POST", f"/programme/{item}/proposals", level)
    coach.api("POST", "/practice/invitations", {"role": "client"})
    asked = warned.api("GET", "/before-session")["questions"]
    answers = {q["kind"]: q["kind"] == "leg_weakness" for q in asked}
    warned.api("POST", "/sessions", {"pain_before": 4, "answers": answers})
    waiting = programme(coach, client, "clam", range_deg=ENDLESS_DEG, form="Half as far")
    unmeasured = client.send(clip, waiting, session, "clam")
    people = {"coach": coach, "physio": physio, "client": client, "warned": warned, "stranger": stranger}
    pages = {
        "sign-in": ("stranger", "/sign-in"),
        "join": ("stranger", "/join#secret"),
        "queue": ("coach", "/"),
        "clients": ("coach", "/clients"),
        "client": ("coach", f"/clients/{client.id}"),
        "client with a warning": ("coach", f"/clients/{warned.id}"),
        "weeks": ("coach", f"/clients/{client.id}/weeks"),
        "practice": ("coach", "/practice"),
        "review": ("coach", f"/clips/{newest}"),
        "beside": ("coach", f"/clips/{newest}/beside"),
        "my beside": ("client", f"/clips/{newest}/beside"),
        "range": ("physio", f"/clips/{newest}/range"),
        "today": ("client", "/"),
        "care": ("warned", "/"),
        "result": ("client", f"/clips/{newest}"),
        "measuring": ("client", f"/clips/{unmeasured}"),
        "my weeks": ("client", f"/clients/{client.id}/weeks"),
        "privacy": ("client", "/privacy"),
        "account": ("client", "/account"),
        "problem": ("stranger", "/clients/unknown"),
    }
    return Practice(people, pages)


NAMES = (
    *(
        "sign-in",
        "join",
        "queue",
        "clients",
        "client",
        "client with a warning",
        "weeks",
        "practice",
        "review",
    ),
    *("beside", "my beside"),
    *("range", "today", "care", "result", "measuring", "my weeks", "privacy", "account", "problem"),
)


# On a phone a table is a list, and what headed a column stands before each cell, in room of its own.
UNLABELLED = """() => [...document.querySelectorAll("td[data-label]")].filter((cell) => {
  const label = getComputedStyle(cell, "::before"), room = parseFloat(getComputedStyle(cell).paddingLeft);
  return label.content === "none" || label.marginLeft !== "0px" || parseFloat(label.width) > room;
}).length"""


@pytest.mark.parametrize("name", NAMES)
def test_page(practice: Practice, name: str) -> None:
    who, path = practice.pages[name]
    visitor = practice.people[who]
    for viewport, colours in ((DESKTOP, "light"), (PHONE, "dark")):
        visitor.page.set_viewport_size(viewport)  # type: ignore[arg-type]
        visitor.page.emulate_media(color_scheme=colours)  # type: ignore[arg-type]
        visitor.page.goto(visitor.url + path)
        for fold in visitor.page.locator("details").all():
            fold.evaluate("(part) => { part.open = true; }")
        found = visitor.barriers()
        assert not found, found
    for viewport in (TABLET, NARROW):
        visitor.page.set_viewport_size(viewport)  # type: ignore[arg-type]
        assert visitor.wide() <= 0, f"it scrolls sideways at {viewport['width']} px"
    assert visitor.page.evaluate(UNLABELLED) == 0, "a number of a table stands without its label"
    text = visitor.page.locator("body").inner_text()
    assert not RAW.findall(text), RAW.findall(text)


def test_the_names_are_all_pages(practice: Practice) -> None:
    assert set(NAMES) == set(practice.pages)


def test_codes_and_long_numbers_would_be_seen() -> None:
    raw = [*conventions.SIGNALS, "pelvis_tilted", "3.2000001", "None", "nan"]
    assert all(RAW.search(f"It says {text} here.") for text in raw)
    assert not RAW.search("7.1 cm ± 0.1 cm; limit 6.0 cm, 1:02.5, r2")


def test_the_engine_would_find_a_barrier(practice: Practice) -> None:
    page = practice.people["stranger"].page
    page.goto(practice.people["stranger"].url + "/sign-in")
    page.evaluate("document.querySelector('main').append(document.createElement('input'))")
    assert "label" in practice.people["stranger"].barriers()


def test_sign_in_by_keyboard(visit: Visit, practice: Practice) -> None:
    someone = visit("Olive")
    someone.go("/sign-in")
    keys = someone.page.keyboard
    keys.press("Tab")
    expect(someone.page.get_by_role("link", name="Skip to the content")).to_be_focused()
    keys.press("Enter")
    keys.press("Tab")
    keys.type("olive@example.org")
    keys.press("Tab")
    keys.type(PASSWORD)
    keys.press("Enter")
    expect(someone.page.get_by_role("heading", name="New clips")).to_be_visible()


def test_without_its_script_a_page_puts_no_password_into_the_address(visit: Visit) -> None:
    someone = visit("Olive")
    someone.page.route("**/static/forms.js", lambda route: route.abort())
    someone.expect_problem("form-action|ERR_FAILED")
    someone.go("/sign-in")
    someone.page.get_by_label("E-mail address").fill("olive@example.org")
    someone.page.get_by_label("Password").fill(PASSWORD)
    with someone.page.expect_console_message(lambda said: "form-action" in said.text):
        someone.page.evaluate("document.querySelector('button').click()")
    assert someone.page.url == f"{someone.url}/sign-in"


def test_questions_before_a_session_by_keyboard(visit: Visit, practice: Practice) -> None:
    client = joined(visit, practice.people["coach"], "Kim", viewport=PHONE)
    programme(practice.people["coach"], client)
    client.go("/")
    client.page.locator("input[name=pain_before]").first.focus()
    keys = client.page.keyboard
    keys.press("Space")
    keys.press("ArrowRight")
    questions = client.page.locator("fieldset.ask").count()
    for _ in range(questions):
        keys.press("Tab")
        keys.press("ArrowRight")  # from yes to no
    keys.press("Tab")
    expect(client.page.get_by_role("button", name="Start the session")).to_be_focused()
    keys.press("Enter")
    client.sees("Toe tap")
    assert client.api("GET", f"/clients/{client.id}/today")["session"]["pain_before"] == 1
    client.page.get_by_label("Choose a clip of Toe tap").focus()
    expect(client.page.get_by_label("Choose a clip of Toe tap")).to_be_focused()


def test_review_by_keyboard(practice: Practice) -> None:
    coach = practice.people["coach"]
    coach.page.set_viewport_size(DESKTOP)  # type: ignore[arg-type]
    coach.go(practice.pages["review"][1])
    keys = coach.page.keyboard
    coach.page.locator("[data-scrub]").focus()
    keys.press("End")
    expect(coach.page.locator("[data-now]")).to_have_text("7.9 s")
    coach.page.locator("#F1 [data-seek]").focus()
    keys.press("Enter")
    expect(coach.page.locator("[data-now]")).to_have_text("3.2 s")
    keys.press("Tab")
    expect(coach.page.get_by_role("button", name="Accept F1")).to_be_focused()
    outline = coach.page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert outline == "3px", "where the keyboard is cannot be seen"
    keys.press("Enter")
    expect(coach.page.locator("#F1")).to_contain_text("✓ accepted")
