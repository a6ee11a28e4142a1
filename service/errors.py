"""Errors of the service; `api` answers with their `status` and their message.

ServiceError(MatlineError)
├── NotSignedIn     401
├── NotAllowed      403  also: consent missing, other origin
├── NotFound        404  also what the person may not know of
├── Conflict        409
├── Refused         422  a value or a clip that cannot be used
├── TooLarge        413
├── RangeError      416  bytes that a video does not have
├── CareFirst       423  a warning sign is open: see someone first
├── TooMany         429
└── Unavailable     503
"""

from analysis.errors import MatlineError


class ServiceError(MatlineError):
    """Base: shown to the person as it is, so without anything secret."""

    status = 400


class NotSignedIn(ServiceError):  # noqa: N818
    """Nobody is signed in, or no longer."""

    status = 401

    def __init__(self, message: str = "Sign in first.") -> None:
        super().__init__(message)


class NotAllowed(ServiceError):  # noqa: N818
    """The person may not do this."""

    status = 403


class NotFound(ServiceError):  # noqa: N818
    """There is no such thing, as far as the person may know."""

    status = 404

    def __init__(self, what: str = "page", otherwise: str = "or it is not yours to see") -> None:
        super().__init__(f"There is no such {what}, {otherwise}.")


class Conflict(ServiceError):  # noqa: N818
    """It does not fit what is there already."""

    status = 409


class Refused(ServiceError):  # noqa: N818
    """A value or a clip that cannot be used; the message says what to do."""

    status = 422


class RangeError(ServiceError):
    """Bytes that a video does not have."""

    status = 416


class TooLarge(ServiceError):  # noqa: N818
    """More bytes than allowed."""

    status = 413


class CareFirst(ServiceError):  # noqa: N818
    """A warning sign is open; the message says whom to call and gives no exercise advice."""

    status = 423


class TooMany(ServiceError):  # noqa: N818
    """Too many requests; `wait_s` says when to try again."""

    status = 429

    def __init__(self, wait_s: float) -> None:
        self.wait_s = max(1, round(wait_s))
        super().__init__(f"Too many tries. Wait {self.wait_s} s and try again.")


class Unavailable(ServiceError):  # noqa: N818
    """Something the service needs is not there now."""

    status = 503
