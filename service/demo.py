"""Fills an empty practice with an invented scenario, so that a visitor sees every page with life in it.

Sample clips are measured as any clip is, each once. Earlier sessions are the same results with a smaller
movement, as `data/demo.toml` says: they are invented, as is everybody in them.
"""

import shutil
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict
from sqlalchemy import select
from sqlalchemy.orm import Session

from analysis import exercises
from analysis.records import Number, Repetition, Report
from service import accounts, consent, intake, jobs, limits, measure, motion, programmes, review, sessions
from service.errors import NotFound
from service.files import KINDS
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


def scenario() -> Scenario:
    """The scenario of `data/demo.toml`."""
    return Scenario.model_validate(
        tomllib.loads(files("service").joinpath("data/demo.toml").read_text("utf-8"))
    )


def email(name: str) -> str:
    """The address with which somebody of the scenario signs in."""
    return f"{name.split()[0].lower()}@example.org"


def fill(
    services: Services, clips: Path, say: Callable[[str], None] = lambda text: None, most: int | None = None
) -> None:
    """Fill an empty practice, client after client, or go on where that was interrupted.

    Nothing happens in a practice of somebody else. clips: folder with a clip `<exercise>*.mp4` for each
    exercise of the scenario, of which each is measured once. most: clients to fill now. Raises NotFound
    where a clip is missing, Refused where one cannot be measured.
    """
    story = scenario()
    with services.store.write() as db:
        if accounts.needs_first_run(db):
            _open(services, db, story)
        people = {p.email: p.id for p in db.scalars(select(Person))}
        begun = set(db.scalars(select(PracticeSession.client_id).distinct()))
    if email(story.staff[0].name) not in people:
        return
    accounts_of = {told: people.get(email(told.name)) for told in story.client}
    waiting = [told for told, key in accounts_of.items() if key is not None and key not in begun]
    samples = services.settings.data_dir / "samples"
    shutil.rmtree(samples, ignore_errors=True)
    samples.mkdir(parents=True, mode=0o700)
    for told in waiting[:most]:
        found = {}
        for name in told.exercises:
            say(f"Measuring a sample clip for {told.name}: {exercises.load(name).title}")
            found[name] = measured(services, clips, name, samples / name)
        with services.store.write() as db:
            if client := db.get(Person, people[email(told.name)]):  # a visitor may have deleted it
                _Filler(services, db, found).client(client, told)
        say(f"{told.name}: done.")
    shutil.rmtree(samples)


def _open(services: Services, db: Session, story: Scenario) -> None:
    """Make the practice with everybody's account."""
    secret = services.passwords.hash(story.password)
    first, *others = story.staff
    name, address = first.name, email(first.name)
    owner = accounts.first_run(db, story.practice, first.role, name, address, secret)
    owner.practice.contact = story.contact

    def account(name: str, role: str) -> Person:
        return accounts.add_person(db, owner.practice_id, role, name, email(name), secret)

    staff = [owner, *(account(s.name, s.role) for s in others)]
    for client in [account(c.name, "client") for c in story.client]:
        for purpose in consent.purposes():
            consent.give(db, client, purpose.purpose)
        for person in staff:
            consent.agree(db, client, person.id)


def measured(services: Services, clips: Path, exercise: str, folder: Path) -> Sample:
    """Check and measure one sample clip, in limited processes as any clip."""
    path = next(iter(sorted(clips.glob(f"{exercise}*.mp4"))), None)
    if path is None:
        raise NotFound(f"sample clip of {exercise}")
    folder.mkdir()
    settings, clean = services.settings, folder / "original"
    found = intake.check(settings, path, clean)
    seconds = settings.measure_base_seconds + settings.measure_seconds_per_second * found["duration_s"]
    results = {name: folder / name for name in measure.RESULTS}
    order = {"source": clean, "results": results, "exercise": exercise, "side": "both",
             "prescription": {}, "notes": {}, "blur": True, "measure": settings.measure}  # fmt: skip
    bounds = limits.Limits(settings.measure_memory_bytes, seconds)
    summary = limits.run("service.measure:whole", order, bounds)
    report = Report.model_validate_json((folder / measure.TEXTS["body"]).read_text())
    return Sample(folder, found, summary, report)


def earlier(report: Report, share: float) -> Report:
    """The same repetitions with a smaller movement: the range, and each curve's way from its start."""

    def smaller(r: Repetition) -> Repetition:
        degrees = r.measures.range_deg
        changed = {"range_deg": None if degrees is None else degrees * share}
        return r.model_copy(update={"measures": r.measures.model_copy(update=changed)})

    def nearer(curve: tuple[Number, ...]) -> tuple[Number, ...]:
        start = next((v for v in curve if v is not None and isfinite(v)), 0.0)
        return tuple(None if v is None else start + share * (v - start) for v in curve)

    curves = {name: c if name == "time_s" else nearer(c) for name, c in report.series.items()}
    repetitions = tuple(map(smaller, report.repetitions))
    return report.model_copy(update={"repetitions": repetitions, "series": curves})


class _Filler:
    """Writes the scenario through the functions that every request uses."""

    def __init__(self, services: Services, db: Session, samples: dict[str, Sample]) -> None:
        self._files, self._db, self._samples = services.files, db, samples
        self._coach = db.scalars(select(Person).where(Person.email == email(scenario().staff[0].name))).one()

    def client(self, client: Person, told: Client) -> None:
        """One client with a programme, and sessions up to today."""
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

    def _item(self, client: Person, exercise: str) -> ProgrammeItem:
        data = ProgrammeItemIn(exercise=exercise, repetitions=8, days=[1, 2, 3, 4, 5, 6, 7])
        return programmes.add_item(self._db, self._coach, client, data)

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
        told = sample.summary | {"ranges": motion.ranges(report)}
        self._db.add(
            StoredReport(clip_id=clip.id, created_at=clip.created_at, **measure.texts(report), **told)
        )
        for kind in KINDS:
            self._files.put(clip.client_id, clip.id, kind, sample.folder / kind)
        return clip

    def _feedback(self, clip: Clip, words: str, at: datetime) -> None:
        row = review.send_feedback(self._db, self._coach, clip, FeedbackIn(text=words))
        row.sent_at = row.read_at = at + timedelta(days=1)
