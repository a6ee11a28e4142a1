"""Fills an empty practice with an invented scenario, so that a visitor sees every page with life in it.

Sample clips are measured as any clip is. Earlier sessions are the same results with the range made
smaller, as `data/demo.toml` says: they are invented, as is everybody in them.
"""

import tempfile
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict
from sqlalchemy.orm import Session

from analysis.records import Repetition, Report
from service import accounts, consent, intake, jobs, limits, measure, motion, programmes, review, sessions
from service.errors import NotFound
from service.files import Kind
from service.records.clips import FeedbackIn
from service.records.programme import ProgrammeItemIn
from service.records.sessions import StartIn
from service.services import Services
from service.store.columns import now
from service.store.models import Clip, Person, PracticeSession, ProgrammeItem, StoredReport


class Staff(BaseModel):
    """A coach or physio of the scenario."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    role: Literal["coach", "physio"]


class Client(BaseModel):
    """A client of the scenario; see `data/demo.toml`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    exercises: tuple[str, ...]
    weeks: int
    per_week: int
    grown: float
    pain: tuple[int, int]
    feedback: str
    warning: str = ""


class Scenario(BaseModel):
    """The whole scenario."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    practice: str
    contact: str
    password: str
    staff: tuple[Staff, ...]
    client: tuple[Client, ...]


@dataclass(frozen=True)
class Sample:
    """A sample clip that was measured: where its files are, and what the probe found."""

    folder: Path
    found: dict[str, Any]
    summary: dict[str, Any]
    report: Report


_FILES: Final[dict[Kind, str]] = {
    "original": "original",
    "review.mp4": measure.REVIEW,
    "track.json.gz": measure.TRACK,
}


def scenario() -> Scenario:
    """The scenario of `data/demo.toml`."""
    return Scenario.model_validate(
        tomllib.loads(files("service").joinpath("data/demo.toml").read_text("utf-8"))
    )


def email(name: str) -> str:
    """The address with which somebody of the scenario signs in."""
    return f"{name.split()[0].lower()}@example.org"


def fill(services: Services, clips: Path, say: Callable[[str], None] = lambda text: None) -> None:
    """Fill an empty practice; nothing happens where there are accounts already.

    clips: folder with a clip `<exercise>*.mp4` for each exercise of the scenario. Raises NotFound where
    one is missing, Refused where one cannot be measured.
    """
    story = scenario()
    with services.store.read() as db:
        if not accounts.needs_first_run(db):
            return
    with tempfile.TemporaryDirectory(dir=services.settings.data_dir) as folder:
        samples = {}
        for name in sorted({e for c in story.client for e in c.exercises}):
            say(f"Measuring a sample clip of {name}")
            samples[name] = measured(services, clips, name, Path(folder) / name)
        with services.store.write() as db:
            filler = _Filler(services, db, story, samples)
            for told in story.client:
                filler.client(told)


def measured(services: Services, clips: Path, exercise: str, folder: Path) -> Sample:
    """Check and measure one sample clip, in limited processes as any clip."""
    path = next(iter(sorted(clips.glob(f"{exercise}*.mp4"))), None)
    if path is None:
        raise NotFound(f"sample clip of {exercise}")
    folder.mkdir()
    settings, clean = services.settings, folder / "original"
    found = intake.check(settings, path, clean)
    seconds = settings.measure_base_seconds + settings.measure_seconds_per_second * found["duration_s"]
    order = {"source": str(clean), "folder": str(folder), "exercise": exercise, "side": "both",
             "prescription": {}, "notes": {}, "blur": True, "measure": settings.measure}  # fmt: skip
    bounds = limits.Limits(settings.measure_memory_bytes, seconds)
    summary = limits.run("service.measure:whole", order, bounds)
    report = Report.model_validate_json((folder / measure.REPORT).read_text())
    return Sample(folder, found, summary, report)


def earlier(report: Report, share: float) -> Report:
    """The same repetitions with the range at a share of what it was."""

    def smaller(r: Repetition) -> Repetition:
        degrees = r.measures.range_deg
        changed = {"range_deg": None if degrees is None else degrees * share}
        return r.model_copy(update={"measures": r.measures.model_copy(update=changed)})

    return report.model_copy(update={"repetitions": tuple(map(smaller, report.repetitions))})


class _Filler:
    """Writes the scenario through the functions that every request uses."""

    def __init__(self, services: Services, db: Session, story: Scenario, samples: dict[str, Sample]) -> None:
        self._files, self._db, self._samples = services.files, db, samples
        self._secret = services.passwords.hash(story.password)
        first, *others = story.staff
        name, address = first.name, email(first.name)
        owner = accounts.first_run(db, story.practice, first.role, name, address, self._secret)
        owner.practice.contact = story.contact
        self._practice_id = owner.practice_id
        self._staff = [owner, *(self._account(s.name, s.role) for s in others)]

    def client(self, told: Client) -> None:
        """One client with a programme, and sessions up to today."""
        client = self._account(told.name, "client")
        for purpose in consent.purposes():
            consent.give(self._db, client, purpose.purpose)
        for person in self._staff:
            consent.agree(self._db, client, person.id)
        items = [self._item(client, name) for name in told.exercises]
        count = told.weeks * told.per_week
        for i in range(1, count + 1):
            at = now() - timedelta(days=7 * told.weeks * (1 - i / count), hours=2)
            session = self._session(client, told, at, i / count)
            for item in items:
                clip = self._clip(item, session, told.grown + (1 - told.grown) * i / count)
                if i < count and told.feedback:
                    self._feedback(clip, told.feedback, at)
        if told.warning:
            signs = {q.kind: q.kind == told.warning for q in sessions.questions().questions}
            sessions.start(self._db, client, StartIn(pain_before=told.pain[1], answers=signs))

    def _account(self, name: str, role: str) -> Person:
        return accounts.add_person(self._db, self._practice_id, role, name, email(name), self._secret)

    def _item(self, client: Person, exercise: str) -> ProgrammeItem:
        data = ProgrammeItemIn(exercise=exercise, repetitions=8, days=[1, 2, 3, 4, 5, 6, 7])
        return programmes.add_item(self._db, self._staff[0], client, data)

    def _session(self, client: Person, told: Client, at: datetime, done: float) -> PracticeSession:
        first, last = told.pain
        pain = round(first + (last - first) * done)
        answers = dict.fromkeys((q.kind for q in sessions.questions().questions), False)
        start = StartIn(day=at.date(), pain_before=pain, answers=answers)
        row = sessions.start(self._db, client, start)
        sessions.end(self._db, client, row, max(0, pain - 1))
        row.started_at, row.ended_at = at, at + timedelta(minutes=25)
        return row

    def _clip(self, item: ProgrammeItem, session: PracticeSession, share: float) -> Clip:
        sample = self._samples[item.exercise]
        clip = Clip(
            client_id=item.client_id,
            session_id=session.id,
            item_id=item.id,
            exercise=item.exercise,
            side="both",
            created_at=session.started_at + timedelta(minutes=10),
            review_video=True,
            track=True,
            **sample.found,
        )
        self._db.add(clip)
        self._db.flush()
        jobs.end(self._db, jobs.add(self._db, clip).id, "done")
        report = earlier(sample.report, share)
        texts = {"body": report.model_dump_json(by_alias=True), "slim": measure.slim(report)}
        told = sample.summary | {"ranges": motion.ranges(report)}
        self._db.add(StoredReport(clip_id=clip.id, created_at=clip.created_at, **texts, **told))
        for kind, name in _FILES.items():
            self._files.put(clip.client_id, clip.id, kind, sample.folder / name)
        return clip

    def _feedback(self, clip: Clip, words: str, at: datetime) -> None:
        row = review.send_feedback(self._db, self._staff[0], clip, FeedbackIn(text=words))
        row.sent_at = row.read_at = at + timedelta(days=1)
