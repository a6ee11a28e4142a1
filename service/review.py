"""What a coach or physio does with a measured clip: decide on findings, comment, tell the client."""

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from analysis.records import Finding, Repetition, Report
from service import audit, sessions
from service.errors import Conflict, NotFound, Refused
from service.records.clips import (
    CommentIn,
    CommentOut,
    DecisionIn,
    DecisionOut,
    FeedbackIn,
    FeedbackOut,
    ReviewOut,
)
from service.store.columns import now
from service.store.models import Clip, Comment, Decision, Feedback, Person, StoredReport

_UNREAD = (
    select(Feedback)
    .join(Clip, Feedback.clip_id == Clip.id)
    .where(Clip.client_id == bindparam("client"), Feedback.read_at.is_(None))
    .order_by(Feedback.sent_at.desc())
)


def report(db: Session, clip: Clip) -> Report:
    """The report of a clip, with the session's notes as they are now; raises NotFound while there is none."""
    return _noted(db, clip, stored(db, clip).body)


def without_curves(db: Session, clip: Clip) -> Report:
    """The same with empty series, which most looks at it do not need and which take the most time to read."""
    return _noted(db, clip, stored(db, clip).slim)


def _noted(db: Session, clip: Clip, text: str) -> Report:
    return Report.model_validate_json(text).model_copy(update={"session": sessions.notes(db, clip)})


def stored(db: Session, clip: Clip) -> StoredReport:
    """The report's row; raises NotFound while there is none."""
    row = db.get(StoredReport, clip.id)
    if row is None:
        raise NotFound("report", "as the clip is not measured yet")
    return row


def finding_refs(found: Report) -> dict[str, Finding]:
    """Every finding by its name: `r3.pelvis_tilted.0` of repetition 3, `set.sides_uneven.0` of the set.

    The number at the end counts findings of one kind in one place.
    """
    named: dict[str, Finding] = {}
    places = [(f"r{r.index}", r.findings) for r in found.repetitions]
    for place, findings in [*places, ("set", found.findings)]:
        for finding in findings:
            kinds = sum(name.startswith(f"{place}.{finding.kind}.") for name in named)
            named[f"{place}.{finding.kind}.{kinds}"] = finding
    return named


def dismissed(said: ReviewOut) -> set[str]:
    """Names of the findings that a coach or physio dismissed."""
    return {d.finding for d in said.decisions if not d.accepted}


def without(found: Report, refs: set[str]) -> Report:
    """The report without the findings of these names, as those that were dismissed."""
    gone = {id(f) for ref, f in finding_refs(found).items() if ref in refs}

    def kept(r: Repetition) -> Repetition:
        findings = tuple(f for f in r.findings if id(f) not in gone)
        cleared = r.verdict == "flagged" and not findings  # then nothing speaks against it any more
        return r.model_copy(update={"findings": findings} | ({"verdict": "sound"} if cleared else {}))

    repetitions = tuple(map(kept, found.repetitions))
    findings = tuple(f for f in found.findings if id(f) not in gone)
    return found.model_copy(update={"repetitions": repetitions, "findings": findings})


def decide(db: Session, by: Person, clip: Clip, ref: str, data: DecisionIn) -> Decision:
    """Accept a finding, or dismiss it with a reason; a later decision replaces an earlier one."""
    if ref not in finding_refs(without_curves(db, clip)):
        raise NotFound("finding")
    if not data.accepted and not data.reason:
        raise Refused("Say why the finding is dismissed.")
    row = db.scalar(select(Decision).where(Decision.clip_id == clip.id, Decision.finding == ref))
    if row is None:
        row = Decision(clip_id=clip.id, finding=ref)
        db.add(row)
    row.accepted, row.reason, row.decided_by, row.decided_at = data.accepted, data.reason, by.id, now()
    _count_flagged(db, clip)
    _note(db, by, clip, "finding")
    return row


def undecide(db: Session, by: Person, clip: Clip, ref: str) -> None:
    """Take a decision back."""
    row = db.scalar(select(Decision).where(Decision.clip_id == clip.id, Decision.finding == ref))
    if row is None:
        raise NotFound("decision")
    db.delete(row)
    _count_flagged(db, clip)
    _note(db, by, clip, "finding")


def _count_flagged(db: Session, clip: Clip) -> None:
    """Have the lists say what the result does: how many repetitions still have a finding against them."""
    gone = db.scalars(
        select(Decision.finding).where(Decision.clip_id == clip.id, Decision.accepted.is_(False))
    )
    kept = without(without_curves(db, clip), set(gone))
    stored(db, clip).flagged = sum(r.verdict == "flagged" for r in kept.repetitions)


def comment(db: Session, by: Person, clip: Clip, data: CommentIn) -> Comment:
    """Add words about a moment of a clip; the client may, too."""
    if data.at_s is not None and data.at_s > clip.duration_s:
        raise Refused(f"The clip ends at {clip.duration_s:.1f} s.")
    row = Comment(clip_id=clip.id, author_id=by.id, at_s=data.at_s, text=data.text)
    db.add(row)
    db.flush()
    _note(db, by, clip, "comment", row.id)
    return row


def delete_comment(db: Session, by: Person, clip: Clip, comment_id: str) -> None:
    """Delete a comment of one's own."""
    row = db.get(Comment, comment_id)
    if row is None or row.clip_id != clip.id or row.author_id != by.id:
        raise NotFound("comment")
    db.delete(row)
    _note(db, by, clip, "comment", comment_id)


def send_feedback(db: Session, by: Person, clip: Clip, data: FeedbackIn) -> Feedback:
    """Tell the client about a clip; this also marks the report as reviewed."""
    row = Feedback(clip_id=clip.id, author_id=by.id, text=data.text)
    db.add(row)
    db.flush()
    mark_reviewed(db, by, clip)
    _note(db, by, clip, "feedback", row.id)
    return row


def mark_reviewed(db: Session, by: Person, clip: Clip) -> None:
    """Note that a coach or physio has gone through a report."""
    found = db.get(StoredReport, clip.id)
    if found is None:
        raise Conflict("There is no report yet.")
    found.reviewed_by, found.reviewed_at = by.id, now()


def mark_read(db: Session, client: Person, clip: Clip) -> None:
    """The client has read what was sent about a clip."""
    for row in db.scalars(select(Feedback).where(Feedback.clip_id == clip.id, Feedback.read_at.is_(None))):
        row.read_at = now()
    _note(db, client, clip, "feedback")


def of_clip(db: Session, clip: Clip) -> ReviewOut:
    """Everything people said about a clip, oldest first."""
    comments = db.scalars(select(Comment).where(Comment.clip_id == clip.id).order_by(Comment.created_at))
    feedback = db.scalars(select(Feedback).where(Feedback.clip_id == clip.id).order_by(Feedback.sent_at))
    decisions = db.scalars(select(Decision).where(Decision.clip_id == clip.id).order_by(Decision.finding))
    return ReviewOut(
        decisions=[DecisionOut.model_validate(row) for row in decisions],
        comments=[described_comment(db, row) for row in comments],
        feedback=[described_feedback(db, row) for row in feedback],
    )


def described_comment(db: Session, row: Comment) -> CommentOut:
    """A comment with its author's name."""
    return CommentOut.model_validate(row).model_copy(update={"author": _name(db, row.author_id)})


def described_feedback(db: Session, row: Feedback) -> FeedbackOut:
    """Feedback with its author's name."""
    return FeedbackOut.model_validate(row).model_copy(update={"author": _name(db, row.author_id)})


def unread(db: Session, client: Person) -> list[Feedback]:
    """What was sent to a client and not read yet, newest first."""
    return list(db.scalars(_UNREAD, {"client": client.id}))


def _name(db: Session, person_id: str | None) -> str:
    person = db.get(Person, person_id) if person_id else None
    return person.name if person else ""


def _note(db: Session, by: Person, clip: Clip, what: str, object_id: str = "") -> None:
    audit.record(db, by, db.get(Person, clip.client_id), "changed", what, object_id or clip.id)
