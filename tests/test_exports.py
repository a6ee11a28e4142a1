"""Every export opened by a reader that this project did not write; its values are the report's."""

import csv
import json
import sys
import warnings
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import c3d
import ezc3d
import numpy as np
import pandas as pd
import pytest
from fake_report import report as fake
from fake_sessions import report as plain
from fhir.resources.R4B.bundle import Bundle
from pydantic import ValidationError

from analysis.errors import ReportError
from analysis.exports import bundle, write_c3d, write_csv, write_fhir
from analysis.exports.fhir import Acceptance
from analysis.records import JOINTS, Report, SessionNotes, Skeleton

# ------------------------------------------------------------------------------------ tables


def test_curves_have_units_and_the_reports_values(tmp_path: Path) -> None:
    told = fake()
    write_csv(told, tmp_path / "a.csv")
    table = pd.read_csv(tmp_path / "a.csv")
    assert list(table.columns) == ["time [s]", *(f"{n} [deg]" for n in told.series if n != "time_s")]
    for column, values in zip(table.columns, told.series.values(), strict=True):
        wanted = np.array([np.nan if v is None else v for v in values])
        np.testing.assert_array_equal(table[column], wanted)
    assert table["knee_flexion_right [deg]"].isna().any()  # missing stays missing, never 0


def test_repetitions_have_units_and_half_widths(tmp_path: Path) -> None:
    told = fake()
    beside = write_csv(told, tmp_path / "a.csv")
    assert beside == tmp_path / "a_repetitions.csv"
    table = pd.read_csv(beside)
    assert {"range [deg]", "out [s]", "pelvis [deg]", "smoothness [1]", "start [s]"} <= set(table.columns)
    assert not [c for c in table.columns if c.startswith("hold")]  # nothing held in this report
    for row, r in zip(table.to_dict("records"), told.repetitions, strict=True):
        assert (row["repetition"], row["side"], row["verdict"]) == (r.index, r.side, r.verdict)
        wanted = np.nan if r.measures.range_deg is None else r.measures.range_deg
        np.testing.assert_equal(row["range [deg]"], wanted)
    # Toe taps are told by the knee: its stated half-width, 3.1 deg on the left.
    assert table["range 95 % half-width [deg]"][0] == 3.1
    assert table["findings"][1] == "pelvis_tilted"
    assert np.isnan(table["smoothness 95 % half-width [1]"]).all()


def test_a_report_without_repetitions_has_a_header_only(tmp_path: Path) -> None:
    beside = write_csv(fake(repetitions=()), tmp_path / "a.csv")
    assert len(list(csv.reader(beside.open()))) == 1


# ------------------------------------------------------------------------------------ motion


def read_c3d(path: Path) -> tuple[c3d.Reader, np.ndarray]:
    """The reader, and its points (N, P, 5): x, y, z, residual, cameras."""
    with path.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that there are no analog data, rightly
        reader = c3d.Reader(file)
        return reader, np.stack([points for _, points, _ in reader.read_frames()])


def test_angles_are_read_back(tmp_path: Path) -> None:
    told = fake()
    write_c3d(told, tmp_path / "a.c3d")
    reader, points = read_c3d(tmp_path / "a.c3d")
    names = [n for n in told.series if n != "time_s"]
    assert [label.strip() for label in reader.point_labels] == names
    assert reader.point_rate == 12.5
    for i, name in enumerate(names):
        wanted = np.array([np.nan if v is None else v for v in told.series[name]])
        got, there = points[:, i, 0], points[:, i, 3] >= 0
        np.testing.assert_array_equal(there, np.isfinite(wanted))
        np.testing.assert_allclose(got[there], wanted[there], atol=1e-4)


def test_the_file_says_which_points_are_angles_and_when_repetitions_turn(tmp_path: Path) -> None:
    told = fake()
    write_c3d(told, tmp_path / "a.c3d")
    reader, _ = read_c3d(tmp_path / "a.c3d")
    assert [s.strip() for s in reader.get("POINT:ANGLES").string_array] == [
        n for n in told.series if n != "time_s"
    ]
    assert reader.get("POINT:ANGLE_UNITS").string_array == ["deg"]
    times = np.asarray(reader.get("EVENT:TIMES").float_array).reshape(-1, 2)
    wanted = [t for r in told.repetitions for t in (r.start_s, r.turn_s, r.end_s)]
    np.testing.assert_allclose(times[:, 0] * 60 + times[:, 1], wanted, atol=1e-4)
    assert [s.strip() for s in reader.get("EVENT:LABELS").string_array][:3] == ["start 1", "turn 1", "end 1"]


def skeleton(time_s: np.ndarray) -> Skeleton:
    joints = np.random.default_rng(1).normal(0, 50, (len(time_s), len(JOINTS), 3))
    joints[10:14, 4] = np.nan
    return Skeleton(time_s=time_s, directions={}, joints_cm=joints)


def test_landmarks_are_read_back_in_millimetres(tmp_path: Path) -> None:
    told = fake()
    body = skeleton(np.array(told.series["time_s"], float))
    write_c3d(told, tmp_path / "a.c3d", body)
    reader, points = read_c3d(tmp_path / "a.c3d")
    assert tuple(label.strip() for label in reader.point_labels[: len(JOINTS)]) == JOINTS
    assert reader.get("POINT:UNITS").string_value.strip() == "mm"
    np.testing.assert_allclose(points[:, 3, :3], body.joints_cm[:, 3] * 10, atol=1e-3)
    assert np.flatnonzero(points[:, 4, 3] < 0).tolist() == [10, 11, 12, 13]


def test_landmarks_that_start_later_keep_their_time(tmp_path: Path) -> None:
    told = fake()
    time_s = np.array(told.series["time_s"], float)
    body = skeleton(time_s[25:])
    write_c3d(told, tmp_path / "a.c3d", body)
    _, points = read_c3d(tmp_path / "a.c3d")
    assert (points[:25, 3, 3] < 0).all()
    np.testing.assert_allclose(points[25:, 3, :3], body.joints_cm[:, 3] * 10, atol=1e-3)


def test_uneven_times_are_made_even(tmp_path: Path) -> None:
    time_s = np.cumsum(np.random.default_rng(2).uniform(0.07, 0.09, 200))
    told = plain(series={"time_s": tuple(time_s.tolist()), "pelvic_tilt": tuple((3 * time_s).tolist())})
    write_c3d(told, tmp_path / "a.c3d")
    reader, points = read_c3d(tmp_path / "a.c3d")
    even = time_s[0] + np.arange(len(points)) / reader.point_rate
    np.testing.assert_allclose(points[:, 0, 0], 3 * even, atol=1e-3)


def test_a_report_without_curves_or_the_library_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(ReportError, match="no curves"):
        write_c3d(plain(series={"time_s": ()}), tmp_path / "a.c3d")
    monkeypatch.setitem(sys.modules, "ezc3d", None)
    with pytest.raises(ReportError, match="pip install"):
        write_c3d(fake(), tmp_path / "a.c3d")
    assert not list(tmp_path.iterdir())


def test_a_full_disk_leaves_no_half_c3d(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library writes what fits, and says nothing."""
    real = ezc3d.c3d.write

    def full(file: Any, path: str) -> None:
        real(file, path)
        Path(path).write_bytes(Path(path).read_bytes()[:4096])

    monkeypatch.setattr(ezc3d.c3d, "write", full)
    with pytest.raises(ReportError, match="No space left"):
        write_c3d(fake(), tmp_path / "a.c3d")
    assert list(tmp_path.iterdir()) == []


# ------------------------------------------------------------------------------------ health records

NOTES = SessionNotes(recorded_at=datetime(2026, 3, 4, 18, 30, tzinfo=UTC), client="C-01", pain_before=2)


def resources(told: Report, **options: Any) -> list[Any]:
    """The bundle's resources as the standard's own model classes read them."""
    data = json.loads(json.dumps(bundle(told, "C-01", **options)))
    return [entry.resource for entry in Bundle.model_validate(data).entry]


def observations(told: Report, name: str, **options: Any) -> list[Any]:
    found = [r for r in resources(told, **options) if r.__resource_type__ == "Observation"]
    return [o for o in found if o.code.coding[0].code == name]


def test_the_bundle_is_valid_and_whole(tmp_path: Path) -> None:
    told = fake(session=NOTES)
    write_fhir(told, tmp_path / "a.json", "C-01")
    read = Bundle.model_validate_json((tmp_path / "a.json").read_text())
    kinds = [e.resource.__resource_type__ for e in read.entry]
    assert kinds[:2] == ["Patient", "Device"]
    assert kinds[-1] == "DiagnosticReport"
    names = [e.fullUrl for e in read.entry]
    assert len(set(names)) == len(names)
    summary = read.entry[-1].resource
    assert [r.reference for r in summary.result] == names[2:-1]
    assert summary.subject.reference == names[0]
    assert "diagnose" in summary.conclusion


def test_the_independent_reader_does_refuse_a_broken_bundle() -> None:
    data = bundle(fake(), "C-01")
    del data["entry"][2]["resource"]["status"]
    with pytest.raises(ValidationError):
        Bundle.model_validate(data)


def test_the_patient_is_a_pseudonym_and_nothing_more() -> None:
    patient = bundle(fake(), "C-01")["entry"][0]["resource"]
    assert set(patient) == {"resourceType", "identifier"}
    assert patient["identifier"][0]["value"] == "C-01"


def test_values_are_the_reports_with_ucum_units_method_and_device() -> None:
    told = fake(session=NOTES)
    left = next(o for o in observations(told, "range_deg") if o.bodySite.text == "left side")
    ranges = [r.measures.range_deg for r in told.judged("left")]
    assert float(left.valueQuantity.value) == pytest.approx(sum(ranges) / len(ranges), abs=1e-4)
    assert (left.valueQuantity.system, left.valueQuantity.code) == ("http://unitsofmeasure.org", "deg")
    half, count = left.component
    assert float(half.valueQuantity.value) == 3.1
    assert count.valueInteger == len(ranges)
    assert "pelvis followed by fabric" in left.method.text
    assert left.device.reference
    assert left.effectiveDateTime == NOTES.recorded_at
    assert left.category[0].coding[0].code == "exam"


def test_a_side_that_was_not_measured_is_absent_never_zero() -> None:
    told = plain(ranges={"left": [40.0, 41]})
    right = next(o for o in observations(told, "range_deg") if o.bodySite.text == "right side")
    assert right.valueQuantity is None
    assert right.dataAbsentReason.coding[0].code == "unknown"
    every = [r for r in resources(told) if r.__resource_type__ == "Observation"]
    kinds = ("valueQuantity", "valueInteger", "valueSampledData", "valueBoolean", "dataAbsentReason")
    assert all(sum(getattr(o, kind) is not None for kind in kinds) == 1 for o in every)


def test_an_unusable_clip_is_absent_altogether() -> None:
    told = plain(series={"time_s": (0.0, 0.1)}, repetitions=())
    assert observations(told, "range_deg")[0].dataAbsentReason


def test_curves_are_sampled_data_with_gaps_marked() -> None:
    told = fake()
    sampled = observations(told, "knee_flexion_right")[0].valueSampledData
    assert float(sampled.period) == 80
    got = sampled.data.split()
    assert got.count("E") == told.series["knee_flexion_right"].count(None)
    assert float(got[0]) == pytest.approx(told.series["knee_flexion_right"][0], abs=0.005)


def test_everything_is_preliminary_until_a_person_accepts() -> None:
    for accepted, status in ((None, "preliminary"), (Acceptance(by="physio P-7"), "final")):
        told = resources(fake(), accepted=accepted)
        assert {r.status for r in told if hasattr(r, "status") and r.__resource_type__ != "Device"} == {
            status
        }
    assert told[-1].resultsInterpreter[0].display == "physio P-7"


def test_a_loinc_code_only_for_a_full_range_of_the_knee() -> None:
    """LOINC 41343-5 and 41347-6, SNOMED CT 82169009 and 6757004, as seen in public FHIR code."""

    def loinc(**options: Any) -> dict[str, str]:
        told = [r for r in resources(fake(), **options) if r.__resource_type__ == "Observation"]
        coded = {c.code: o for o in told for c in o.code.coding if c.system == "http://loinc.org"}
        return {code: o.bodySite.coding[0].code for code, o in coded.items()}

    assert loinc() == {}
    assert loinc(full_range=True) == {"41343-5": "82169009", "41347-6": "6757004"}


@pytest.mark.parametrize("code", ["41343-5", "41347-6"])
def test_loinc_check_digits(code: str) -> None:
    """LOINC check digits are Luhn."""
    digits, check = code.split("-")
    doubled = [int(d) * 2 if i % 2 == 0 else int(d) for i, d in enumerate(reversed(digits))]
    assert (10 - sum(d - 9 if d > 9 else d for d in doubled) % 10) % 10 == int(check)


def test_pain_and_warning_signs_as_the_client_answered() -> None:
    told = fake(session=NOTES.model_copy(update={"warning_signs": ("saddle_numbness",)}))
    assert observations(told, "pain_before")[0].valueInteger == 2
    assert observations(told, "pain_after")[0].dataAbsentReason
    assert observations(told, "saddle_numbness")[0].valueBoolean is True


def test_the_same_report_gives_the_same_identifiers() -> None:
    assert bundle(fake(), "C-01") == bundle(fake(), "C-01")
    assert bundle(fake(), "C-01")["entry"][0]["fullUrl"] != bundle(fake(), "C-02")["entry"][0]["fullUrl"]


def test_an_unwritable_place_is_told(tmp_path: Path) -> None:
    for write in (write_csv, write_c3d, lambda told, path: write_fhir(told, path, "C-01")):
        with pytest.raises(ReportError, match="cannot be written"):
            write(fake(), tmp_path / "missing" / "a.csv")
