"""The parts of FHIR R4 Observations, as plain dictionaries."""

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from analysis.filters import resample, sample_rate_hz
from analysis.records import RepetitionSide, Report

# Our own codes: a name under a domain that can never be anybody's (RFC 2606).
LOCAL: Final = "https://matline.invalid/fhir/"
UCUM: Final = "http://unitsofmeasure.org"
LOINC: Final = "http://loinc.org"
SNOMED: Final = "http://snomed.info/sct"
_TERMINOLOGY: Final = "http://terminology.hl7.org/CodeSystem/"

Category = Literal["exam", "survey"]


@dataclass(frozen=True)
class Code:
    """What was observed: our own name, words, the side, and codes of others where they are sure."""

    name: str
    text: str
    side: RepetitionSide = "both"
    loinc: str | None = None
    snomed_site: str | None = None


def concept(code: Code, category: Category = "exam") -> dict[str, Any]:
    """Category, code and body site."""
    codings = [{"system": f"{LOCAL}measure", "code": code.name}]
    if code.loinc:
        codings.append({"system": LOINC, "code": code.loinc})
    parts: dict[str, Any] = {
        "category": [{"coding": [{"system": f"{_TERMINOLOGY}observation-category", "code": category}]}],
        "code": {"coding": codings, "text": code.text},
    }
    if code.side != "both":
        site: dict[str, Any] = {"text": f"{code.side} side"}
        if code.snomed_site:
            site["coding"] = [{"system": SNOMED, "code": code.snomed_site}]
        parts["bodySite"] = site
    return parts


def quantity(value: float, unit: str) -> dict[str, Any]:
    """A value with its UCUM unit: deg, s, % or 1."""
    return {"value": round(value, 4), "unit": unit, "system": UCUM, "code": unit}


def measured(
    code: Code, value: float, unit: str, half_width: float | None = None, repetitions: int | None = None
) -> dict[str, Any]:
    """A value, with its 95 % half-width and the number of repetitions as components where known."""
    components: list[dict[str, Any]] = []
    if half_width is not None and math.isfinite(half_width):
        words = _component("half_width_95", "95 % half-width of one measurement")
        components.append(words | {"valueQuantity": quantity(half_width, unit)})
    if repetitions is not None:
        components.append(_component("repetitions", "Repetitions") | {"valueInteger": repetitions})
    parts = concept(code) | {"valueQuantity": quantity(value, unit)}
    return parts | ({"component": components} if components else {})


def absent(code: Code, reason: str, text: str, category: Category = "exam") -> dict[str, Any]:
    """Nothing was measured, and why; never a value."""
    why = {"coding": [{"system": f"{_TERMINOLOGY}data-absent-reason", "code": reason}], "text": text}
    return concept(code, category) | {"dataAbsentReason": why}


def yes(code: Code) -> dict[str, Any]:
    """A question that was answered with yes."""
    return concept(code, "survey") | {"valueBoolean": True}


def curve(code: Code, report: Report, signal: str) -> dict[str, Any]:
    """A signal over time as sampled data, at an even rate; missing samples are the letter E."""
    time_s, values = (
        np.array([np.nan if v is None else v for v in report.series[name]]) for name in ("time_s", signal)
    )
    rate_hz = sample_rate_hz(time_s)
    _, even = resample(time_s, values, rate_hz, 1.5 / rate_hz)
    data = " ".join("E" if math.isnan(v) else f"{v:.2f}" for v in even)
    sampled = {
        "origin": quantity(0, "deg"),
        "period": round(1000 / rate_hz, 6),
        "dimensions": 1,
        "data": data,
    }
    return concept(code) | {"valueSampledData": sampled}


def _component(name: str, text: str) -> dict[str, Any]:
    return {"code": {"coding": [{"system": f"{LOCAL}component", "code": name}], "text": text}}
