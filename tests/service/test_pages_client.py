"""The client's pages in a real browser: warning signs, sending a clip over a bad line, result, pain."""

import re
import struct
from pathlib import Path

import pytest
from browsing import PHONE, Visit, Visitor, joined, measured, owner, programme, session_of
from pictured import ENDLESS_DEG
from playwright.sync_api import Page, Route, expect

from analysis import exercises

PART = 4 * 1024 * 1024  # bytes in one request of the page
ADVICE = re.compile("Film|Where to put the phone|Make the movement|Keep still")


@pytest.fixture
def coach(visit: Visit) -> Visitor:
    return owner(visit)


@pytest.fixture(scope="session")
def big_clip(long_clip: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip of three parts, with an empty box at its end."""
    path = tmp_path_factory.mktemp("big") / "clip.mp4"
    size = 2 * PART + 1000
    path.write_bytes(long_clip.read_bytes() + struct.pack(">I4s", size, b"free") + bytes(size - 8))
    return path


class Line:
    """The line between page and server: notes where each part begins, and cuts the parts it is told to.

    The answers of the parts in `lost` do not come back, though the parts arrive.
    """

    def __init__(self, page: Page, cut: set[int], lost: frozenset[int] = frozenset()) -> None:
        self.offsets: list[int] = []
        self._cut, self._lost = cut, lost
        page.route("**/api/uploads/*", self._carry)

    def _carry(self, route: Route) -> None:
        if route.request.method == "PATCH":
            self.offsets.append(int(route.request.headers["upload-offset"]))
            if len(self.offsets) in self._cut:
                route.abort("connectionfailed")
                return
            if len(self.offsets) in self._lost:
                route.fetch()
                route.abort("connectionfailed")
                return
        route.continue_()


def at_home(visit: Visit, coach: Visitor, name: str, **item: object) -> Visitor:
    """A client with a programme, at today's page."""
    client = joined(visit, coach, name, viewport=PHONE)
    programme(coach, client, **item)
    client.go("/")
    return client


def choose(client: Visitor, file: Path) -> None:
    client.page.get_by_label("Choose a clip of Toe tap").set_input_files(file)


def test_a_warning_sign_stops_the_session(visit: Visit, coach: Visitor) -> None:
    coach.api("PATCH", "/practice", {"contact": "Call Olive, 555 0100."})
    client = at_home(visit, coach, "Gil")
    client.answer_questions(yes="bladder_bowel")
    client.sees("Stop here and speak to someone first")
    client.sees("emergency department")
    client.sees("Call Olive, 555 0100.")
    expect(client.page.locator("main")).not_to_contain_text(ADVICE)
    expect(client.page.locator("input[type=file]")).to_have_count(0)
    client.page.reload()
    client.sees("Stop here and speak to someone first")

    coach.go("/")
    coach.sees("Gil reported a warning sign")
    coach.sees("Have you new trouble passing or holding urine")
    coach.page.get_by_label("What was done, before Gil may start again").fill("Seen by her doctor.")
    coach.press("Clear the warning sign of Gil")
    coach.sees_not("Gil reported")
    client.page.reload()
    client.answer_questions()
    client.sees("Toe tap")


def test_strong_pain_stops_the_session_from_where_the_coach_says(visit: Visit, coach: Visitor) -> None:
    coach.api("PATCH", "/practice", {"contact": "Call Olive, 555 0100."})
    client = at_home(visit, coach, "Tess")
    client.sees("So does pain of 7 or more.")
    client.answer_questions(pain=7)
    client.sees("Stop here and speak to someone first")
    client.sees("Speak to your coach, physio or GP today, before any exercise.")
    client.sees("Call Olive, 555 0100.")
    expect(client.page.locator("main")).not_to_contain_text(ADVICE)
    expect(client.page.locator("input[type=file]")).to_have_count(0)

    coach.go(f"/clients/{client.id}")
    coach.sees("with pain 7 of 10")
    coach.page.get_by_label("What was done").fill("Her usual pain; her doctor knows.")
    coach.press("Clear the warning sign")
    coach.sees("cleared: Her usual pain")
    coach.page.get_by_label("Pain from which a session of Tess does not start").fill("9")
    coach.press("Set this pain")
    coach.sees("✓ This pain is set.")
    expect(coach.page.get_by_label("Pain from which a session of Tess does not start")).to_have_value("9")
    client.page.reload()
    client.sees("So does pain of 9 or more.")
    client.answer_questions(pain=8)
    client.sees("Your pain is strong today: 8")
    client.sees("Toe tap")


def test_no_result_gives_advice_while_a_warning_sign_is_open(
    visit: Visit, coach: Visitor, long_clip: Path
) -> None:
    client = joined(visit, coach, "Quin")
    clip = measured(client, long_clip, programme(coach, client), session_of(client))
    client.go(f"/clips/{clip}")
    client.sees("Make the movement smaller.")
    client.go("/")
    client.page.locator("input[name=pain_after][value='2']").check()
    client.press("End the session")
    client.answer_questions(yes="leg_weakness")
    client.sees("Stop here and speak to someone first")
    for person in (client, coach):
        person.go(f"/clips/{clip}")
        expect(person.page.locator("main")).not_to_contain_text(ADVICE)
    for person, told in ((client, "Stop here and speak to someone first"), (coach, "A warning sign is open")):
        person.go(f"/clients/{client.id}/weeks")
        person.sees(told)
    client.go(f"/clips/{clip}/beside")
    client.sees("Stop here and speak to someone first")


def test_today_says_what_to_do_and_where_the_phone_stands(visit: Visit, coach: Visitor) -> None:
    client = at_home(visit, coach, "Hana", tempo_s=2.5, note="Only as far as it is calm.")
    client.sees("Before you start")
    client.press("Start the session")  # the browser asks for the answers itself
    client.sees("Before you start")
    client.answer_questions()
    client.sees("8 repetitions, 2.5 s each way")
    client.sees("Only as far as it is calm.")
    client.sees(exercises.load("toe_tap").phone)
    client.sees("Stop at once if pain becomes sharp or spreads.")
    expect(client.page.get_by_role("img", name=re.compile("Drawing from above"))).to_be_visible()


def test_a_dropped_connection_goes_on_where_it_stopped(visit: Visit, coach: Visitor, big_clip: Path) -> None:
    client = at_home(visit, coach, "Ivo")
    client.answer_questions()
    line = Line(client.page, cut={2, 3})
    client.expect_problem("ERR_CONNECTION_FAILED")
    choose(client, big_clip)
    status = client.page.locator("form.upload [role=status]").first
    expect(status).to_have_text("The connection is gone. Sending goes on by itself where it stopped.")
    client.page.wait_for_url("**/clips/*")
    assert line.offsets == [0, PART, PART, PART, 2 * PART], "a part was sent twice, or left out"
    client.sees("What was seen")


def test_a_clip_is_found_whose_last_answer_was_lost(visit: Visit, coach: Visitor, big_clip: Path) -> None:
    client = at_home(visit, coach, "Rea")
    client.answer_questions()
    line = Line(client.page, cut=set(), lost=frozenset({3}))
    client.expect_problem("ERR_CONNECTION_FAILED")
    choose(client, big_clip)
    client.sees("What was seen")
    assert line.offsets == [0, PART, 2 * PART]


def test_a_clip_that_arrived_and_was_never_checked_is_not_given_up(
    visit: Visit, coach: Visitor, big_clip: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """As after the server was killed between the last byte and the check."""
    client = at_home(visit, coach, "Sia")
    client.answer_questions()
    line = Line(client.page, cut={3, 4})
    client.expect_problem("ERR_CONNECTION_FAILED")

    def arrive(route: Route) -> None:
        if int(route.request.headers["upload-offset"]) == 2 * PART and len(line.offsets) == 2:
            name = route.request.url.rpartition("/")[2]
            (file,) = tmp_path_factory.getbasetemp().glob(f"site[0-9]*/data/uploads/{name}")
            with file.open("ab") as arrived:
                arrived.write(big_clip.read_bytes()[2 * PART :])
        route.fallback()

    client.page.route("**/api/uploads/*", arrive)
    choose(client, big_clip)
    client.sees("What was seen")
    size = big_clip.stat().st_size
    assert line.offsets == [0, PART, 2 * PART, size, size], "the last is empty, and asks for the check"


def test_an_upload_goes_on_after_the_page_was_closed(visit: Visit, coach: Visitor, big_clip: Path) -> None:
    client = at_home(visit, coach, "Jana")
    client.answer_questions()
    Line(client.page, cut=set(range(2, 50)))
    client.expect_problem("ERR_CONNECTION_FAILED")
    choose(client, big_clip)
    expect(client.page.locator("form.upload [role=status]").first).to_contain_text("The connection is gone.")
    client.page.close()
    client.page = client.context.new_page()
    client.listen(client.page)
    line = Line(client.page, cut=set())
    client.go("/")
    choose(client, big_clip)
    client.page.wait_for_url("**/clips/*")
    assert line.offsets == [PART, 2 * PART]


def test_sending_can_be_paused(visit: Visit, coach: Visitor, big_clip: Path) -> None:
    client = at_home(visit, coach, "Kai")
    client.answer_questions()
    line = Line(client.page, cut={1})
    client.expect_problem("ERR_CONNECTION_FAILED")
    choose(client, big_clip)
    client.press("Pause")
    status = client.page.locator("form.upload [role=status]").first
    expect(status).to_have_text("Paused.")
    sent = len(line.offsets)
    client.page.wait_for_timeout(1500)
    assert len(line.offsets) == sent, "it went on sending"
    client.press("Go on")
    client.page.wait_for_url("**/clips/*")


def test_what_is_no_clip_is_refused_with_a_reason(visit: Visit, coach: Visitor, tmp_path: Path) -> None:
    client = at_home(visit, coach, "Lea")
    client.answer_questions()
    file = tmp_path / "clip.mp4"
    file.write_text("Not a clip at all, whatever its name says.")
    client.expect_problem("422")
    choose(client, file)
    alert = client.page.locator("form.upload [role=alert]").first
    expect(alert).to_contain_text("This is no video as phones make it")
    expect(client.page.get_by_label("Choose a clip of Toe tap")).to_be_enabled()


def test_progress_is_live_and_measuring_can_be_stopped(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    client = at_home(visit, coach, "Mia", range_deg=ENDLESS_DEG)
    client.answer_questions()
    choose(client, long_clip)
    expect(client.page.locator("[data-progress] [role=status]")).to_have_text(
        re.compile(r"Measuring: [1-9]\d? %")
    )
    assert client.page.locator("progress").evaluate("(bar) => bar.value") > 0
    client.press("Stop measuring")
    client.sees("There is no result")
    expect(client.page.get_by_role("button", name="Measure again")).to_be_visible()
    client.press("Delete the clip")
    client.sees("When you are done")
    client.sees_not("Sent in this session")


def test_the_result_is_plain_and_cautions_come_first(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    client = at_home(visit, coach, "Nils")
    client.answer_questions(pain=2)
    choose(client, long_clip)
    client.sees("What was seen")
    headings = client.page.get_by_role("heading", level=2).all_text_contents()
    assert headings[0] == "Before you move"
    warned = client.page.locator(".cautions")
    expect(warned.get_by_role("heading", name="Get help now")).to_be_visible()
    expect(warned.get_by_text("Stop at once if pain becomes sharp")).to_be_visible()
    expect(warned.get_by_text("See a doctor before you exercise")).to_be_hidden()
    client.page.emulate_media(media="print")
    expect(warned.get_by_text("See a doctor before you exercise")).to_be_visible()
    client.page.emulate_media(media="screen")
    warned.get_by_text("Whom to ask first").click()
    expect(warned.get_by_text("See a doctor before you exercise")).to_be_visible()
    assert (
        headings.index("What was seen") < headings.index("What was steady") < headings.index("What to change")
    )
    client.sees("4 repetitions (2 left, 2 right)")
    client.sees("The pelvis, as far as it was seen, stayed still in 3 of 4 repetitions.")
    client.sees("Make the movement smaller.")
    client.page.get_by_role("button", name="repetition 2 right").click()
    expect(client.page.locator("[data-now]")).to_have_text("3.2 s")
    client.page.get_by_role("link", name="Back to today").click()
    client.sees("✓ 1 clip sent")
    client.page.locator("input[name=pain_after][value='6']").check()
    client.press("End the session")
    client.sees("Your pain rose")
    client.page.get_by_role("link", name="Over the weeks").click()
    client.sees("pain rose")


def test_a_client_decides_who_sees_what(visit: Visit, coach: Visitor, long_clip: Path) -> None:
    client = joined(visit, coach, "Ora")
    clip = measured(client, long_clip, programme(coach, client), session_of(client))
    coach.go(f"/clips/{clip}")
    expect(coach.page.locator("video")).to_have_count(1)
    client.go("/privacy")
    client.sees("Olive opened a clip and its result")
    client.page.get_by_role("button", name=re.compile("Take back ?: Let the coach")).click()
    client.sees("You have not agreed.")
    coach.page.reload()
    coach.sees("There is no video to watch")
    client.press("No longer let Olive see them")
    client.sees("Olive, coach: may not see")
    coach.expect_problem("404")
    answer = coach.page.goto(f"{coach.url}/clips/{clip}")
    assert answer
    assert answer.status == 404
    coach.sees("This did not work")


def test_account_password_data_and_deletion(visit: Visit, coach: Visitor) -> None:
    client = joined(visit, coach, "Pau")
    client.go("/account")
    with client.page.expect_download() as download:
        client.press("Take my data along")
    assert download.value.suggested_filename == "my-data.zip"
    client.page.get_by_label("Name").fill("my script")
    client.press("Make a token")
    expect(client.page.locator(".secret")).to_have_text(re.compile(r"\S{20,}"))
    client.expect_problem("403")
    client.page.get_by_label("Present password").fill("wrong wrong wrong")
    client.page.get_by_label("New password").fill("another long one")
    client.press("Change the password")
    client.sees("The present password is wrong.")
    deletion = client.page.locator("form[data-send='/api/me/delete']")
    deletion.get_by_label("Password").fill("correct horse battery")
    deletion.get_by_role("button").click()
    expect(client.page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert "Pau" not in [c["name"] for c in coach.api("GET", "/clients")]
