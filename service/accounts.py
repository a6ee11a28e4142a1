"""Accounts: first set-up, signing in and out, passwords, tokens for scripts."""

from datetime import datetime, timedelta

from sqlalchemy import bindparam, delete, func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service import audit, tries
from service.errors import Conflict, NotFound, NotSignedIn
from service.secret import Passwords, digest, new_token
from service.settings import Settings
from service.store.columns import now
from service.store.models import ApiToken, Failure, Person, Practice, Role, SignIn
from service.store.session import Store

_FAILURE_SPAN = tries.LONGEST
_SEEN_EVERY = timedelta(minutes=5)  # a row less to write on nearly every request
# Of nearly every request; made once.
_SIGNED_IN = (
    select(SignIn.created_at, SignIn.seen_at, Person)
    .join(Person, Person.id == SignIn.person_id)
    .where(SignIn.digest == bindparam("digest"))
)


def needs_first_run(db: Session) -> bool:
    """Whether there is no account at all yet."""
    return db.scalar(select(func.count()).select_from(Person)) == 0


def first_run(db: Session, practice: str, role: Role, name: str, email: str, password_hash: str) -> Person:
    """Make the practice and its owner; raises Conflict where there is an account already."""
    if not needs_first_run(db):
        raise Conflict("There is an account already. Sign in, or ask for an invitation.")
    home = Practice(name=practice)
    db.add(home)
    db.flush()
    return add_person(db, home.id, role, name, email, password_hash, owner=True)


def add_person(
    db: Session,
    practice_id: str,
    role: str,
    name: str,
    email: str,
    password_hash: str,
    *,
    owner: bool = False,
) -> Person:
    """Make an account; raises Conflict where the address has one."""
    person = Person(
        practice_id=practice_id,
        role=role,
        owner=owner,
        name=name,
        email=email.strip().lower(),
        password=password_hash,
    )
    db.add(person)
    try:
        db.flush()
    except IntegrityError as error:
        raise Conflict("This e-mail address has an account already. Sign in instead.") from error
    audit.record(db, person, person, "changed", "account")
    return person


def sign_in(store: Store, passwords: Passwords, email: str, password: str) -> str:
    """Check a password and open a session; returns its token.

    Raises NotSignedIn on a wrong address or password alike, TooMany after repeated failures. Takes
    the store: the slow check is outside of any transaction, and a failure is noted though it raises.
    """
    email = email.strip().lower()
    with store.read() as db:
        tries.check(db, email, store.settings.failures_before_wait, _FAILURE_SPAN)
        person = db.scalar(select(Person).where(Person.email == email))
    right = passwords.matches(person.password if person else None, password)
    with store.write() as db:
        if right and person is not None:
            db.execute(delete(Failure).where(Failure.digest == digest(email)))
            return open_session(db, person)
        tries.count(db, email, _FAILURE_SPAN)
    raise NotSignedIn("The e-mail address or the password is wrong.")


def count_sign_in(store: Store, address: str) -> None:
    """Count a try to get in from a network address; raises TooMany after too many within a minute."""
    who, span = f"from {address}", timedelta(minutes=1)
    with store.read() as db:
        tries.check(db, who, store.settings.sign_ins_per_minute, span)
    with store.write() as db:
        tries.count(db, who, span)


def open_session(db: Session, person: Person) -> str:
    """Open a session in a browser; returns its token, of which only a digest is kept."""
    token = new_token()
    db.add(SignIn(person_id=person.id, digest=digest(token)))
    audit.record(db, person, person, "changed", "sign_in")
    return token


def sign_out(db: Session, token: str) -> None:
    """End the session of a token; nothing happens where there is none."""
    db.execute(delete(SignIn).where(SignIn.digest == digest(token)))


def person_of_session(db: Session, settings: Settings, token: str) -> tuple[Person, bool]:
    """Who signed in with a token, and whether `touch` is due; raises NotSignedIn."""
    row = db.execute(_SIGNED_IN, {"digest": digest(token)}).first()
    if row is None or _expired(row.created_at, row.seen_at, settings):
        raise NotSignedIn
    return row.Person, now() - row.seen_at > _SEEN_EVERY


def person_of_api_token(db: Session, token: str) -> tuple[Person, bool]:
    """Whose token for scripts this is, and whether `touch` is due; raises NotSignedIn."""
    row = db.scalar(select(ApiToken).where(ApiToken.digest == digest(token)))
    person = db.get(Person, row.person_id) if row else None
    if row is None or person is None:
        raise NotSignedIn("This token is not known or was withdrawn. Make a new one in your account.")
    return person, row.used_at is None or now() - row.used_at > _SEEN_EVERY


def touch(db: Session, token: str) -> None:
    """Note that a session or a token for scripts was used just now."""
    db.execute(update(SignIn).where(SignIn.digest == digest(token)).values(seen_at=now()))
    db.execute(update(ApiToken).where(ApiToken.digest == digest(token)).values(used_at=now()))


def change_password(db: Session, person: Person, password_hash: str, what: str = "password") -> None:
    """Set a new password and end all of the person's sessions."""
    person.password = password_hash
    db.execute(delete(SignIn).where(SignIn.person_id == person.id))
    audit.record(db, person, person, "changed", what)


def replace_password(db: Session, email: str, password_hash: str) -> Person:
    """Set a new password for somebody who forgot theirs; raises NotFound where no account has the address."""
    email = email.strip().lower()
    person = db.scalar(select(Person).where(Person.email == email))
    if person is None:
        raise NotFound("account", "or its e-mail address is written otherwise")
    change_password(db, person, password_hash, "password_replaced")
    db.execute(delete(Failure).where(Failure.digest == digest(email)))  # else they would have to wait
    return person


def add_api_token(db: Session, person: Person, name: str) -> tuple[ApiToken, str]:
    """Make a token for scripts; the token itself is only told now."""
    token = new_token()
    row = ApiToken(person_id=person.id, name=name, digest=digest(token))
    db.add(row)
    db.flush()
    audit.record(db, person, person, "changed", "api_token", row.id)
    return row, token


def api_tokens(db: Session, person: Person) -> list[ApiToken]:
    """The person's tokens for scripts, newest first."""
    return list(
        db.scalars(
            select(ApiToken).where(ApiToken.person_id == person.id).order_by(ApiToken.created_at.desc())
        )
    )


def withdraw_api_token(db: Session, person: Person, token_id: str) -> None:
    """Make a token useless; raises NotFound where it is not the person's."""
    row = db.get(ApiToken, token_id)
    if row is None or row.person_id != person.id:
        raise NotFound("token")
    db.delete(row)
    audit.record(db, person, person, "changed", "api_token", token_id)


def _expired(created_at: datetime, seen_at: datetime, settings: Settings) -> bool:
    idle, total = timedelta(hours=settings.idle_hours), timedelta(days=settings.signed_in_days)
    return now() - seen_at > idle or now() - created_at > total
