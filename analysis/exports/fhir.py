"""A report as an HL7 FHIR R4 bundle, for health records.

The patient is a pseudonym. What was not measured is an Observation with a dataAbsentReason, never a 0.
Everything is preliminary until a person accepts it. Codes are our own with text; a LOINC code is used only
for the largest knee flexion, and only where the client was asked to bend the knee as far as it goes.
"""

import json
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final
from uuid import NAMESPACE_URL, uuid5

from analysis.cautions import referrals
from analysis.conventions import SIDES, SIGNALS, Side
from analysis.exports.observations import LOCAL, Code, absent, concept, curve, measured, yes
from analysis.files import whole
from analysis.measurement_error import half_width, unit
from analysis.records import Measures, Record, RepetitionSide, Report
from analysis.report.words import tally, words

# Knee flexion, active range of motion: LOINC and SNOMED CT as seen in public FHIR code; not looked up at
# loinc.org, so check the status there before relying on them.
KNEE: Final[dict[Side, tuple[str, str]]] = {"left": ("41343-5", "82169009"), "right": ("41347-6", "6757004")}


class Acceptance(Record):
    """The person who looked at the report and accepts it, by the role or pseudonym to be written down."""

    by: str


def write_fhir(report: Report, path: Path | str, patient: str, **options: Any) -> None:
    """Write `bundle` as JSON; the file appears only when whole. Raises ReportError."""
    with whole(path) as part:
        part.write_text(json.dumps(bundle(report, patient, **options), indent=1) + "\n", "utf-8")


def bundle(
    report: Report, patient: str, *, accepted: Acceptance | None = None, full_range: bool = False
) -> dict[str, Any]:
    """Bundle of type collection: Patient, Device, an Observation a measure, and their DiagnosticReport.

    `patient` is a pseudonym. Without `accepted` everything is preliminary. `full_range` says that the
    client was asked to bend the knee as far as it goes. The same report gives the same identifiers.
    """
    base = f"{LOCAL}{patient}/{report.model_dump_json()}"
    names = {kind: f"urn:uuid:{uuid5(NAMESPACE_URL, f'{base}/{kind}')}" for kind in ("patient", "device")}
    common: dict[str, Any] = {
        "status": "final" if accepted else "preliminary",
        "subject": {"reference": names["patient"]},
    }
    if report.session.recorded_at:
        common["effectiveDateTime"] = report.session.recorded_at.isoformat()
    seen = {"device": {"reference": names["device"]}, "method": {"text": _method(report)}}
    found = [*_measures(report), *_knees(report, full_range), *_curves(report)]
    told = [common | seen | part for part in found] + [common | part for part in _told(report)]
    entries = [(names["patient"], _patient(patient)), (names["device"], _device())]
    observations = [
        (f"urn:uuid:{uuid5(NAMESPACE_URL, f'{base}/{i}')}", {"resourceType": "Observation"} | part)
        for i, part in enumerate(told)
    ]
    summary = _summary(report, common, [name for name, _ in observations], accepted)
    entries += [*observations, (f"urn:uuid:{uuid5(NAMESPACE_URL, f'{base}/report')}", summary)]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": name, "resource": resource} for name, resource in entries],
    }


def _patient(pseudonym: str) -> dict[str, Any]:
    return {"resourceType": "Patient", "identifier": [{"system": f"{LOCAL}pseudonym", "value": pseudonym}]}


def _device() -> dict[str, Any]:
    try:
        number = version("matline")
    except PackageNotFoundError:
        number = "unknown"
    return {
        "resourceType": "Device",
        "deviceName": [{"name": "Matline", "type": "model-name"}],
        "version": [{"value": number}],
        "type": {"text": "Software that measures movement from one phone video"},
    }


def _method(report: Report) -> str:
    seen = words()["view"][report.capture.view]
    return f"Angles from one phone video, filmed {seen}; pelvis followed by {report.pelvis_source}"


def _measures(report: Report) -> Iterator[dict[str, Any]]:
    """One Observation a side and measure: the mean of its judged repetitions, or why there is none."""
    for side in _sides(report):
        for measure in Measures.model_fields:
            amounts = [a for r in report.judged(side) if (a := getattr(r.measures, measure)) is not None]
            code = Code(measure, f"{words()['measure'][measure]}, mean of the repetitions", side)
            if amounts:
                half = half_width(report, side, measure)
                yield measured(code, sum(amounts) / len(amounts), unit(measure), half, len(amounts))
            elif measure in ("range_deg", "pelvis_deg"):
                yield absent(code, "unknown", "not measured in this clip")


def _sides(report: Report) -> list[RepetitionSide]:
    """The sides to be told: both legs as soon as one was seen, so that a missing one is said."""
    found = {r.side for r in report.repetitions}
    return ["both"] if found <= {"both"} else [*SIDES, "both"] if "both" in found else [*SIDES]


def _knees(report: Report, full_range: bool) -> Iterator[dict[str, Any]]:
    """Largest knee flexion of each side."""
    for side in SIDES:
        name = f"knee_flexion_{side}"
        values = [v for v in report.series.get(name, ()) if v is not None]
        code = Code("largest_knee_flexion", "Largest knee flexion reached in the exercise", side)
        if full_range:
            code = Code(code.name, "Largest knee flexion, as far as it goes", side, *KNEE[side])
        if values:
            yield measured(code, max(values), "deg", report.uncertainty_deg.get(name))
        else:
            yield absent(code, "unknown", "not measured in this clip")


def _curves(report: Report) -> Iterator[dict[str, Any]]:
    for name, signal in SIGNALS.items():
        if any(v is not None for v in report.series.get(name, ())):
            yield curve(Code(name, f"{signal.label} over time; + is {signal.positive}"), report, name)


def _told(report: Report) -> Iterator[dict[str, Any]]:
    """What the client answered: pain before and after (0-10), and warning signs with yes."""
    notes = report.session
    for when, pain in (("before", notes.pain_before), ("after", notes.pain_after)):
        code = Code(f"pain_{when}", f"Pain {when} practice, 0 (none) to 10 (worst)")
        if pain is None:
            yield absent(code, "unknown", "no answer recorded", category="survey")
        else:
            yield {"valueInteger": pain} | concept(code, category="survey")
    for sign in referrals(notes.warning_signs):
        yield yes(Code(sign.kind, sign.question))


def _summary(
    report: Report, common: dict[str, Any], results: list[str], accepted: Acceptance | None
) -> dict[str, Any]:
    """The DiagnosticReport: what was found in one sentence, and that it is no diagnosis."""
    limits = " ".join(c.text for c in report.cautions if c.kind == "scope")
    person = {"resultsInterpreter": [{"display": accepted.by}]} if accepted else {}
    return {
        "resourceType": "DiagnosticReport",
        **common,
        "code": concept(Code(report.exercise, f"Movement measurement: {report.exercise}"))["code"],
        "result": [{"reference": name} for name in results],
        "conclusion": f"{tally(report)} {limits}".strip(),
        **person,
    }
