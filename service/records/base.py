"""Types and bases shared by all records of the service."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

Side = Literal["left", "right", "both"]
Day = Annotated[int, Field(ge=1, le=7)]
Pain = Annotated[int, Field(ge=0, le=10)]


def plain(text: str) -> str:
    """Refuse control characters, which no database and no page wants."""
    if any(ord(c) < 32 and c not in "\n\t" for c in text) or "\x7f" in text:
        raise ValueError("control characters are not allowed")
    return text


def unrepeated(days: list[int]) -> list[int]:
    """Weekdays in order, each once; none is refused."""
    if not days:
        raise ValueError("Choose at least one day.")
    return sorted(set(days))


def _address(email: str) -> str:
    name, at, host = email.partition("@")
    if not (name and at and host) or "@" in host or any(c.isspace() for c in email):
        raise ValueError("this is not an e-mail address")
    return email.lower()


Name = Annotated[
    str, StringConstraints(min_length=1, max_length=120, strip_whitespace=True), AfterValidator(plain)
]
Note = Annotated[str, StringConstraints(max_length=500, strip_whitespace=True), AfterValidator(plain)]
FormText = Annotated[str, StringConstraints(max_length=200, strip_whitespace=True), AfterValidator(plain)]
Reason = Annotated[
    str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True), AfterValidator(plain)
]
Words = Annotated[
    str, StringConstraints(min_length=1, max_length=2000, strip_whitespace=True), AfterValidator(plain)
]
Email = Annotated[
    str,
    StringConstraints(min_length=3, max_length=254, strip_whitespace=True),
    AfterValidator(plain),
    AfterValidator(_address),
]
Password = Annotated[str, StringConstraints(max_length=200)]
ExerciseName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]{1,60}$")]
Id = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]


class In(BaseModel):
    """Base of what is sent to us: nothing unknown in it."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Out(BaseModel):
    """Base of what is sent back, read from table rows."""

    model_config = ConfigDict(from_attributes=True)
