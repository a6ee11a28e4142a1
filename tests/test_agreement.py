"""Agreement of people and the tool, against scikit-learn and pingouin on the same ratings."""

from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest
from fake_sessions import report
from sklearn.metrics import cohen_kappa_score

from analysis.agreement import TOOL, Agreed, Rating, agree, read_ratings
from analysis.agreement.ratings import VERDICTS
from analysis.errors import ReportError
from analysis.records import Report


def told(seed: int, count: int = 12) -> Report:
    rng = np.random.default_rng(seed)
    verdicts = rng.choice(VERDICTS, count).tolist()
    return report(ranges={"left": rng.uniform(30, 60, count).round(1).tolist()}, verdicts=verdicts)


REPORTS = {"a": told(1), "b": told(2)}


def human(name: str, seed: int) -> list[Rating]:
    """A person who agrees with the tool in most, and measures with an error of 3 deg."""
    rng = np.random.default_rng(seed)
    return [
        Rating(clip, r.index, name, r.verdict if rng.random() < 0.75 else str(rng.choice(VERDICTS)),
               {"range_deg": (r.measures.range_deg or 0.0) + 2 + rng.normal(0, 3)})
        for clip, clip_report in REPORTS.items()
        for r in clip_report.repetitions
    ]  # fmt: skip


PEOPLE = [*human("anna", 3), *human("ben", 4)]


def column(rater: str) -> list[int]:
    if rater == TOOL:
        return [VERDICTS.index(r.verdict) for clip in REPORTS.values() for r in clip.repetitions]
    return [VERDICTS.index(r.verdict or "") for r in PEOPLE if r.rater == rater]


def test_kappas_equal_an_independent_library() -> None:
    got = agree(PEOPLE, REPORTS)
    assert [v.raters for v in got.verdicts] == [("anna", "ben"), ("anna", TOOL), ("ben", TOOL)]
    assert got.clips == 2
    for pair in got.verdicts:
        a, b = (np.array(column(rater)) for rater in pair.raters)
        assert pair.repetitions == 24
        assert pair.same_pct == pytest.approx(100 * np.mean(a == b))
        assert pair.verdict.value == pytest.approx(cohen_kappa_score(a, b, labels=range(3), weights="linear"))
        assert pair.flagged.value == pytest.approx(cohen_kappa_score(a == 2, b == 2))
        assert pair.verdict.low is not None
        assert pair.verdict.high is not None
        assert pair.verdict.low < (pair.verdict.value or 0) < pair.verdict.high


def test_icc_equals_an_independent_library_and_bias_is_found() -> None:
    (got,) = agree(PEOPLE, REPORTS).measures
    rows = [(f"{r.report}{r.repetition}", r.rater, r.measures["range_deg"]) for r in PEOPLE]
    rows += [(f"{n}{r.index}", TOOL, r.measures.range_deg) for n, c in REPORTS.items() for r in c.repetitions]
    table = pd.DataFrame(rows, columns=["subject", "rater", "value"])
    theirs = pingouin.intraclass_corr(table, targets="subject", raters="rater", ratings="value")["ICC"]
    assert got.raters == ("anna", "ben", TOOL)
    assert [got.icc_2_1.value, got.icc_3_1.value] == pytest.approx([theirs[1], theirs[2]])
    for difference in got.differences:
        assert difference.bias.value == pytest.approx(2, abs=1.5)
        assert difference.lower is not None
        assert difference.lower < -2


def test_one_person_alone_is_compared_with_the_tool() -> None:
    got = agree(human("anna", 3), REPORTS)
    assert [v.raters for v in got.verdicts] == [("anna", TOOL)]


def test_what_a_rater_could_not_tell_is_left_out() -> None:
    some = [
        Rating(r.report, r.repetition, r.rater, None if i < 5 else r.verdict)
        for i, r in enumerate(human("anna", 3))
    ]
    assert agree(some, REPORTS).verdicts[0].repetitions == 19


def test_one_verdict_for_all_has_no_kappa() -> None:
    same = {"a": report(ranges={"left": [40.0] * 5})}
    got = agree([Rating("a", i, "anna", "sound") for i in range(1, 6)], same)
    assert got.verdicts[0].same_pct == 100
    assert got.verdicts[0].verdict.value is None
    assert Agreed.model_validate_json(got.model_dump_json()) == got


@pytest.mark.parametrize(
    ("ratings", "what"),
    [
        ([Rating("c", 1, "anna", "sound")], "no such report"),
        ([Rating("a", 99, "anna", "sound")], "no complete repetition 99"),
        ([Rating("a", 1, "anna", "sound")], "No two raters"),
    ],
)
def test_ratings_that_cannot_be_used(ratings: list[Rating], what: str) -> None:
    with pytest.raises(ReportError, match=what):
        agree(ratings, REPORTS)


# ------------------------------------------------------------------------------------ the table

HEAD = "report,repetition,rater,verdict,range_deg\n"


def read(tmp_path: Path, text: str) -> list[Rating]:
    path = tmp_path / "ratings.csv"
    path.write_text(text, "utf-8")
    return read_ratings(path)


def test_a_table_is_read(tmp_path: Path) -> None:
    got = read(tmp_path, f"{HEAD}a.json,1,anna,Sound,41.5\na,2,anna,,\n")
    assert got == [Rating("a", 1, "anna", "sound", {"range_deg": 41.5}), Rating("a", 2, "anna", None)]


@pytest.mark.parametrize("mark", ["\ufeff", ""])
def test_a_table_from_a_spreadsheet_with_semicolons(tmp_path: Path, mark: str) -> None:
    text = f"{mark}{HEAD}a,1,anna,flagged,".replace(",", ";") + "41,5\r\n"
    assert read(tmp_path, text) == [Rating("a", 1, "anna", "flagged", {"range_deg": 41.5})]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "lacks the columns"),
        ("report,rater\n", "lacks the columns repetition, verdict"),
        (HEAD, "holds no ratings"),
        (f"{HEAD}a,1,anna,superb,\n", "line 2: the verdict 'superb'"),
        (f"{HEAD}a,1,anna,sound,\na,one,anna,sound,\n", "line 3"),
        (f"{HEAD}a,1,anna,sound,wide\n", "line 2"),
        (f"{HEAD}a,1,anna,sound,nan\n", "'nan' is no number"),
        (f"{HEAD}a,1,anna,sound,wide\n", "'wide' is no number"),
        (f"{HEAD}a,one,anna,sound,41\n", "'one' is no repetition"),
        (f"{HEAD}a,1,,sound,\n", "needs a name"),
        (f"{HEAD}a,1,Matline,sound,\n", "other than 'matline'"),
        (f"{HEAD}a,1,anna,sound,\na,1,anna,flagged,\n", "anna rated repetition 1 of a twice"),
        (f"{HEAD}a\n", "line 2"),
    ],
)
def test_a_wrong_table_is_told_with_its_line(tmp_path: Path, text: str, what: str) -> None:
    with pytest.raises(ReportError, match=what):
        read(tmp_path, text)


def test_no_table(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="cannot be read"):
        read_ratings(tmp_path / "missing.csv")
    (tmp_path / "odd.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(ReportError, match="cannot be read"):
        read_ratings(tmp_path / "odd.csv")


def test_headings_may_be_capitals(tmp_path: Path) -> None:
    assert read(tmp_path, f"{HEAD.title()}a,1,anna,sound,41\n") == read(
        tmp_path, f"{HEAD}a,1,anna,sound,41\n"
    )
