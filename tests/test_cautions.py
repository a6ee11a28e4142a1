"""Cautions are complete, sourced, and a warning sign always leads to a person."""

import pytest

from analysis import cautions
from analysis.errors import DataFileError

DATA = cautions.load()


def test_every_report_gets_stop_emergency_clinician_and_scope() -> None:
    assert {c.kind for c in DATA.caution} == {"stop", "emergency", "see_clinician", "scope"}


def test_everything_has_a_source() -> None:
    entries = (*DATA.caution, *DATA.warning_sign, DATA.pain, DATA.advice_withheld)
    assert all(entry.source.strip() for entry in entries)


@pytest.mark.parametrize("sign", DATA.warning_sign, ids=lambda s: s.kind)
def test_a_warning_sign_is_a_question_and_names_whom_to_contact(sign: cautions.WarningSign) -> None:
    assert sign.question.endswith("?")
    whom = "emergency" if sign.urgency == "emergency" else ("GP", "doctor")
    assert any(word in sign.contact for word in ([whom] if isinstance(whom, str) else whom))


# Signs of cauda equina syndrome: NHS Borders; Northern Trust HSC; AHCPR table NBK52120.
@pytest.mark.parametrize("kind", ["saddle_numbness", "bladder_bowel", "both_legs"])
def test_signs_of_cauda_equina_are_emergencies(kind: str) -> None:
    assert cautions.referrals([kind])[0].urgency == "emergency"


def test_no_kind_is_asked_twice() -> None:
    kinds = [sign.kind for sign in DATA.warning_sign]
    assert len(kinds) == len(set(kinds))


def test_the_most_urgent_comes_first() -> None:
    found = cautions.referrals(["pregnancy", "fever_infection", "both_legs"])
    assert [s.urgency for s in found] == ["emergency", "today", "before_exercise"]
    assert cautions.referrals([]) == ()


def test_strong_pain_counts_as_a_warning_sign() -> None:
    limit = DATA.pain.strong_from
    assert cautions.signs_of_pain(None) == cautions.signs_of_pain(limit - 1) == ()
    (sign,) = cautions.referrals(cautions.signs_of_pain(limit))
    assert sign == DATA.pain.sign
    assert cautions.referrals(["strong_pain", "both_legs"])[0].kind == "both_legs"


def test_a_misspelt_answer_is_not_lost() -> None:
    assert cautions.referrals(["both_leg"]) == (DATA.unknown_sign,)
    assert DATA.unknown_sign.urgency == "today"


def test_a_broken_file_is_named() -> None:
    with pytest.raises(DataFileError, match="caution"):
        cautions.parse('[[caution]]\nkind = "stop"\n')
    with pytest.raises(DataFileError, match="cautions file"):
        cautions.parse("caution = [")


# Farrar 2001, Ostelo 2008: about 2 points or 30 % of the value before.
@pytest.mark.parametrize(("before", "after", "points", "share"), [(8, 6, True, False), (5, 3.5, False, True)])
def test_what_counts_as_a_change_of_pain(before: float, after: float, points: bool, share: bool) -> None:
    assert (before - after >= DATA.pain.change_points) is points
    assert ((before - after) / before >= DATA.pain.change_share) is share
