"""Helpers of the page tests: the service as its command starts it, and people with a browser each."""

import base64
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from desk import PASSWORD, TUS
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect

HERE = Path(__file__).parent
CLIPS = HERE.parents[1] / "sample_clips"
FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
TABLET, NARROW = {"width": 768, "height": 1024}, {"width": 320, "height": 640}
EVERY_DAY = [1, 2, 3, 4, 5, 6, 7]
_QUICK = {
    "MATLINE_ARGON2_MEMORY_KIB": "64",
    "MATLINE_POLL_SECONDS": "0.05",
    "MATLINE_REQUESTS_PER_MINUTE": "1000000",
    "MATLINE_SIGN_INS_PER_MINUTE": "1000000",
    "PYTHONUNBUFFERED": "1",
}
expect.set_options(timeout=20_000)  # ms; the machine may be busy


def serving(folder: Path, measure: str, *arguments: str, **settings: str) -> AbstractContextManager[str]:
    """The address of a service started by `matline serve`, ready to answer."""
    command = ["serve", "--data", str(folder), *arguments]
    return started(command, folder.parent / "service.log", settings | {"MATLINE_MEASURE": measure})


@contextmanager
def started(arguments: list[str], said: Path, settings: dict[str, str]) -> Iterator[str]:
    """The address of a service that a command has started; what it says goes to a file."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    path = os.pathsep.join((str(HERE), os.environ.get("PYTHONPATH", "")))
    environment = os.environ | _QUICK | {"PYTHONPATH": path, "MATLINE_PORT": port} | settings
    command = [str(Path(sys.executable).with_name("matline")), *arguments]
    with said.open("ab") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    try:
        _await(f"http://127.0.0.1:{port}", process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(30)


def _await(url: str, process: "subprocess.Popen[bytes]") -> None:
    for _ in range(600):
        assert process.poll() is None, "the service ended by itself"
        try:
            urllib.request.urlopen(f"{url}/sign-in", timeout=5)
            return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise AssertionError("the service does not answer")


@dataclass
class Visitor:
    """A person at a browser of their own; every page error and console error is kept in `problems`."""

    context: BrowserContext
    page: Page
    url: str
    name: str = ""
    id: str = ""
    problems: list[str] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)

    def listen(self, page: Page) -> None:
        page.on("pageerror", lambda error: self.problems.append(f"{page.url}: {error}"))
        page.on("console", self._console)
        page.on("dialog", lambda dialog: dialog.accept())

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.problems.append(f"{message.text} at {message.location.get('url', '')}")

    def expect_problem(self, pattern: str) -> None:
        """A console error that the test brings about on purpose."""
        self.expected.append(pattern)

    def unexpected(self) -> list[str]:
        return [p for p in self.problems if not any(re.search(e, p) for e in self.expected)]

    def api(self, method: str, path: str, data: Any = None) -> Any:
        """A call with this person's cookies, to bring about what a test begins with."""
        answer = self.context.request.fetch(
            f"{self.url}/api{path}", method=method, data=data, headers={"Origin": self.url}
        )
        assert answer.ok, (path, answer.status, answer.text())
        return answer.json() if answer.body() else None

    def send(self, clip: Path, item: str, session: str, exercise: str) -> str:
        """Send a clip in one go; returns its identifier."""
        data = clip.read_bytes()
        told = {"exercise": exercise, "item": item, "session": session}
        metadata = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in told.items())
        tus = TUS | {"Origin": self.url}
        fetch, uploads = self.context.request.fetch, f"{self.url}/api/uploads"
        announced = tus | {"Upload-Length": str(len(data)), "Upload-Metadata": metadata}
        made = fetch(uploads, method="POST", headers=announced)
        part = tus | {"Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
        clip_id = str(made.json()["id"])
        arrived = fetch(f"{uploads}/{clip_id}", method="PATCH", headers=part, data=data)
        assert arrived.ok, arrived.text()
        return clip_id

    def go(self, path: str) -> None:
        answer = self.page.goto(self.url + path)
        assert answer, path
        assert answer.status < 400, (path, answer.status)

    def press(self, name: str, *, exact: bool = True) -> None:
        """Press a button, and wait until what it sends is answered and shown."""
        self.page.get_by_role("button", name=name, exact=exact).click()
        expect(self.page.locator("form[aria-busy]")).to_have_count(0)

    def sees(self, text: str) -> None:
        expect(self.page.locator("main")).to_contain_text(text)

    def sees_not(self, text: str) -> None:
        expect(self.page.locator("main")).not_to_contain_text(text)

    def answer_questions(self, pain: int = 2, yes: str = "") -> None:
        """Fill in what is asked before a session; `yes` is the kind of the warning sign reported."""
        self.page.locator(f"input[name=pain_before][value='{pain}']").check()
        for field_ in self.page.locator("fieldset.ask input[value=no]").all():
            field_.check()
        if yes:
            self.page.locator(f"input[name='answers.{yes}'][value=yes]").check()
        self.press("Start the session")

    def wide(self) -> int:
        """How much wider the page is than the window [px]."""
        script = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        return int(self.page.evaluate(script))

    def barriers(self) -> str:
        """What the accessibility engine finds on this page, or nothing."""
        options = {"runOnly": {"type": "tag", "values": WCAG}, "resultTypes": ["violations"]}
        found = Axe().run(self.page, options=options)
        return found.generate_report() if found.violations_count else ""


Visit = Callable[..., Visitor]


def visitors(browser: Browser, url: str) -> Iterator[Visit]:
    """Makes visitors, each with a new profile; at the end none of them may have met a page error."""
    made: list[Visitor] = []

    def visit(name: str = "", viewport: dict[str, int] = DESKTOP) -> Visitor:
        context = browser.new_context(viewport=viewport, accept_downloads=True)  # type: ignore[arg-type]
        context.set_default_timeout(20_000)  # ms
        visitor = Visitor(context, context.new_page(), url, name)
        visitor.listen(visitor.page)
        made.append(visitor)
        return visitor

    yield visit
    for visitor in made:
        visitor.context.close()
    assert not [(v.name, v.unexpected()) for v in made if v.unexpected()]


def owner(visit: Visit, name: str = "Olive", **changes: Any) -> Visitor:
    """The first account, made through the API; signed in where it is there already."""
    someone = visit(name, **changes)
    data = {"email": address(name), "password": PASSWORD}
    if someone.api("GET", "/first-run"):
        someone.id = someone.api("POST", "/first-run", data | {"practice": "Room Six", "name": name})["id"]
    else:
        someone.id = someone.api("POST", "/sign-in", data)["id"]
    return someone


def joined(visit: Visit, by: Visitor, name: str, role: str = "client", **changes: Any) -> Visitor:
    """Somebody who used an invitation; a client has agreed to everything."""
    link = by.api("POST", "/practice/invitations", {"role": role})["link"]
    someone = visit(name, **changes)
    data = {"name": name, "email": address(name), "password": PASSWORD, "agree": True}
    someone.id = someone.api("POST", "/join", data | {"token": link.partition("#")[2]})["id"]
    if role == "client":
        for purpose in ("measure", "watch", "keep"):
            someone.api("PUT", f"/me/consents/{purpose}")
    return someone


def address(name: str) -> str:
    return f"{name.split()[0].lower()}@example.org"


def programme(by: Visitor, client: Visitor, exercise: str = "toe_tap", **changes: Any) -> str:
    """An item of the programme for every day; returns its identifier."""
    data = {"exercise": exercise, "repetitions": 8, "days": EVERY_DAY} | changes
    return str(by.api("POST", f"/clients/{client.id}/programme", data)["id"])


def session_of(client: Visitor, pain: int = 2) -> str:
    """A session that was begun without a warning sign."""
    asked = client.api("GET", "/before-session")["questions"]
    answers = dict.fromkeys((q["kind"] for q in asked), False)
    return str(client.api("POST", "/sessions", {"pain_before": pain, "answers": answers})["id"])


def measured(client: Visitor, clip: Path, item: str, session: str, exercise: str = "toe_tap") -> str:
    """A clip that was sent in one go and is measured; returns its identifier."""
    clip_id = client.send(clip, item, session, exercise)
    for _ in range(600):
        job = client.api("GET", f"/clips/{clip_id}")["job"]
        if job["state"] not in ("queued", "running"):
            assert job["state"] == "done", job
            return clip_id
        time.sleep(0.1)
    raise AssertionError(job)
