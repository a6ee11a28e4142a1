"""All tables under one name."""

from service.store.base import Base as Base
from service.store.clips import Clip as Clip
from service.store.clips import Comment as Comment
from service.store.clips import Decision as Decision
from service.store.clips import Feedback as Feedback
from service.store.clips import Job as Job
from service.store.clips import JobState as JobState
from service.store.clips import StoredReport as StoredReport
from service.store.clips import Upload as Upload
from service.store.people import STAFF as STAFF
from service.store.people import Agreement as Agreement
from service.store.people import ApiToken as ApiToken
from service.store.people import AuditEntry as AuditEntry
from service.store.people import Consent as Consent
from service.store.people import Failure as Failure
from service.store.people import Invitation as Invitation
from service.store.people import Person as Person
from service.store.people import Practice as Practice
from service.store.people import Role as Role
from service.store.people import SignIn as SignIn
from service.store.training import PracticeSession as PracticeSession
from service.store.training import ProgrammeItem as ProgrammeItem
from service.store.training import Proposal as Proposal
from service.store.training import Target as Target
