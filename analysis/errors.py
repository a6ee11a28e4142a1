"""The error tree. Every message says what is wrong and what to do about it.

MatlineError
├── ClipError              the file cannot be used as a clip
├── UnknownExerciseError   no exercise of that name
├── DataFileError          an exercise, caution or report file breaks its schema
├── ReportError            a report cannot be read, written or compared
└── CardError              the printable card cannot be made
"""


class MatlineError(Exception):
    """Base of all errors that a user can act on; shown without a traceback."""

    exit_code = 1


class ClipError(MatlineError):
    """The clip cannot be read: missing, empty, not a video, cut off, or out of limits."""

    exit_code = 3


class UnknownExerciseError(MatlineError):
    """No exercise of that name; the message suggests the nearest."""

    exit_code = 2


class DataFileError(MatlineError):
    """A data file of ours or of a coach breaks its schema."""

    exit_code = 4


class ReportError(MatlineError):
    """A report cannot be read, written or compared."""

    exit_code = 5


class CardError(MatlineError):
    """The printable card cannot be made."""

    exit_code = 6
