"""Proposals: only from several sessions, never with a warning sign open, always for a coach to decide."""

from datetime import timedelta

import pytest
from fake_sessions import START, session

from analysis import exercises
from analysis.errors import DataFileError
from analysis.progress import follow
from analysis.progress.proposals import Proposal, load, parse
from analysis.progress.sessions import Session
from analysis.records import Capture


def proposal(*sessions: Session, **options: object) -> Proposal | None:
    return follow(sessions, **options).exercises[0].proposal  # type: ignore[arg-type]


def three_sound(**last: object) -> list[Session]:
    return [session(0), session(3), session(6, **last)]


def test_every_exercise_has_its_cautions_and_conditions() -> None:
    assert set(load().exercise) == set(exercises.names())
    assert load().conditions_of("leg_extension").sound_sessions == 4
    assert load().conditions_of("toe_tap").sound_sessions == 3


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[exercise.toe_tap]", "[exercise.toe_tip]"),
        ("pain_limit = 3", "pain_limit = 30"),
        ("{ sound_sessions = 4 }", "{ sound_sesions = 4 }"),
        ("[conditions]", "[conditions"),
    ],
)
def test_a_wrong_entry_is_named(old: str, new: str) -> None:
    from importlib.resources import files

    text = files("analysis.progress").joinpath("progressions.toml").read_text("utf-8")
    with pytest.raises(DataFileError, match="progressions file"):
        parse(text.replace(old, new))


def test_three_sound_sessions_propose_the_harder_form_to_the_coach() -> None:
    got = proposal(*three_sound())
    assert got is not None
    assert (got.direction, got.exercise, got.needs) == ("harder", "leg_extension", "a coach's decision")
    assert got.text.startswith("Consider")
    assert got.caution


def test_two_sound_sessions_wait() -> None:
    got = proposal(session(0), session(3))
    assert got is not None
    assert got.direction == "stay"
    assert "waits for 3 sessions" in got.reasons[0]


@pytest.mark.parametrize(
    ("last", "reason"),
    [
        ({"verdicts": ["flagged"]}, "Not every repetition"),
        ({"verdicts": ["borderline"]}, "cannot tell of every repetition"),
        ({"pain": (None, None)}, "cannot tell"),
        ({"pain": (None, 1)}, "cannot tell"),
        ({"ranges": {"left": [40.0, 41]}}, "Fewer than 4"),
    ],
)
def test_one_condition_missing_keeps_the_form(last: dict[str, object], reason: str) -> None:
    got = proposal(*three_sound(**last))
    assert got is not None
    assert got.direction == "stay"
    assert reason in got.reasons[0]


def test_pain_in_an_earlier_session_of_the_three_keeps_the_form() -> None:
    got = proposal(session(0), session(3, pain=(3, 5)), session(6))
    assert got is not None
    assert got.direction == "stay"
    assert "Pain was above 3 of 10" in got.reasons[0]


@pytest.mark.parametrize(
    ("last", "reason"),
    [({"pain": (4, 4)}, "above 3"), ({"pain": (0, 2)}, "rose from 0 to 2")],
)
def test_pain_proposes_the_easier_form(last: dict[str, object], reason: str) -> None:
    got = proposal(*three_sound(**last))
    assert got is not None
    assert got.direction == "easier"
    assert reason in got.reasons[0]


def test_two_sessions_with_half_flagged_propose_the_easier_form() -> None:
    half = {"verdicts": ["flagged"] * 4}
    got = proposal(session(0), session(3, **half), session(6, **half))
    assert got is not None
    assert got.direction == "easier"
    once = proposal(session(0), session(3), session(6, **half))
    assert once is not None
    assert once.direction == "stay"


def test_an_open_warning_sign_withholds_every_proposal() -> None:
    for sessions in (
        three_sound(signs=("saddle_numbness",)),
        [session(0, signs=("bladder_bowel",)), *three_sound()[1:]],
    ):
        got = proposal(*sessions)
        assert got is not None
        assert (got.direction, got.exercise, got.needs) == ("withheld", None, "a clinician")


def test_a_sign_in_one_exercise_withholds_proposals_in_all() -> None:
    progress = follow([*three_sound(), session(7, exercise="clam", signs=("saddle_numbness",))])
    assert {p.proposal.direction for p in progress.exercises if p.proposal} == {"withheld"}


def test_only_a_clearance_after_the_sign_opens_the_way() -> None:
    sessions = [session(0, signs=("saddle_numbness",)), *(session(d) for d in (10, 13, 16))]
    late, early = START + timedelta(days=5), START - timedelta(days=5)
    assert getattr(proposal(*sessions, cleared=late), "direction", None) == "harder"
    assert getattr(proposal(*sessions, cleared=early), "direction", None) == "withheld"


def test_unusable_clips_count_for_nothing() -> None:
    dark = Capture(view="side", usable=False)
    got = proposal(session(0), session(3), session(6, capture=dark))
    assert got is not None
    assert got.direction == "stay"
    assert proposal(session(0), session(6, capture=dark)) is None
