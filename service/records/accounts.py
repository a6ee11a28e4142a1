"""Records of accounts, invitations, the practice, consent and the audit trail."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, Field, StringConstraints

from service.records.base import Email, In, Name, Out, Password, plain
from service.store.models import Role


class FirstRunIn(In):
    """The first account, which owns the practice."""

    practice: Name
    role: Literal["coach", "physio"] = "coach"
    name: Name
    email: Email
    password: Password
    code: str = Field(default="", max_length=100, description="set-up code, where one was printed")


class SignInIn(In):
    """Who signs in."""

    email: Annotated[str, StringConstraints(max_length=254)]
    password: Password


class JoinIn(In):
    """Using an invitation. `agree`: the inviting coach or physio may see my data."""

    token: Annotated[str, StringConstraints(max_length=100)]
    name: Name
    email: Email
    password: Password
    agree: bool = False


class PasswordIn(In):
    """A new password, with the present one."""

    present: Password
    new: Password


class ConfirmIn(In):
    """The present password, for what cannot be taken back."""

    password: Password


class NamedIn(In):
    """A name."""

    name: Annotated[
        str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True), AfterValidator(plain)
    ]


class PersonOut(Out):
    """Somebody, as others may see them."""

    id: str
    role: Role
    name: str


class MeOut(PersonOut):
    """The person who is signed in."""

    email: str
    owner: bool
    practice_id: str
    practice_name: str


class TokenOut(Out):
    """A token for scripts, without the token."""

    id: str
    name: str
    created_at: datetime
    used_at: datetime | None


class NewTokenOut(TokenOut):
    """A token for scripts, told once."""

    token: str


class InviteIn(In):
    """For whom an invitation is."""

    role: Role = "client"


class InvitationOut(Out):
    """An invitation that can still be used."""

    id: str
    role: Role
    created_at: datetime
    expires_at: datetime


class NewInvitationOut(InvitationOut):
    """An invitation with its link, told once. What is after # never reaches a server or a log."""

    link: str


class PracticeOut(Out):
    """The practice: whom to call, and how long video is kept [days]."""

    id: str
    name: str
    contact: str
    original_days: int
    review_days: int
    blur_faces: bool


class PracticeIn(In):
    """Changes to the practice; what is left out stays."""

    name: Name | None = None
    contact: Annotated[str | None, StringConstraints(max_length=200, strip_whitespace=True)] = None
    original_days: int | None = Field(default=None, ge=0, le=365)
    review_days: int | None = Field(default=None, ge=0, le=3650)
    blur_faces: bool | None = None


class ConsentOut(BaseModel):
    """One purpose as it is asked, and whether the client agrees to it now."""

    purpose: Literal["measure", "watch", "keep"]
    version: int
    required: bool
    title: str
    text: str
    without: str
    given: bool


class StaffOut(PersonOut):
    """A coach or physio of the practice, and whether they may see the client's data."""

    agreed: bool


class AuditOut(Out):
    """Who saw or changed what of whom; `actor` is None where that account is gone."""

    at: datetime
    actor_id: str | None
    actor: str | None = None
    subject_id: str | None
    subject: str | None = None
    action: Literal["saw", "changed"]
    what: str
    object_id: str


class OwnerIn(In):
    """Whether a colleague manages the practice."""

    owner: bool
