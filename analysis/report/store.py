"""Reports as JSON files: written whole, read with a clear word on what is wrong."""

import json
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from analysis.errors import ReportError
from analysis.files import whole
from analysis.records import Report
from analysis.report.upgrades import UPGRADES

SCHEMA: Final = 1


def write_json(report: Report, path: Path | str) -> None:
    """Write the report; the file appears only when whole. Raises ReportError."""
    with whole(path) as part:
        part.write_text(report.model_dump_json(by_alias=True) + "\n", "utf-8")


def read_json(path: Path | str) -> Report:
    """Read a report of this schema or an older one; raises ReportError that names the file."""
    return _validated(path, _upgraded(path, _read(path)))


def json_schema() -> dict[str, Any]:
    """JSON Schema of a report; published as `analysis/report.schema.json`."""
    return Report.model_json_schema(by_alias=True, mode="serialization")


def _read(path: Path | str) -> dict[str, Any]:
    try:
        data = json.loads(Path(path).read_text("utf-8"))
    except OSError as error:
        raise ReportError(
            f"{path} cannot be read ({error.strerror}). Check the name and the folder."
        ) from error
    except ValueError as error:
        raise ReportError(
            f"{path} is not a report: it is damaged or not JSON. Measure the clip again."
        ) from error
    if not isinstance(data, dict) or not isinstance(data.get("schema"), int):
        raise ReportError(
            f"{path} is not a report: it names no schema. Choose a file written by `matline check`."
        )
    return data


def _upgraded(path: Path | str, data: dict[str, Any]) -> dict[str, Any]:
    while (schema := data["schema"]) != SCHEMA:
        if schema not in UPGRADES:
            newer = (
                "a newer version of Matline wrote it; update Matline" if schema > SCHEMA else "measure again"
            )
            raise ReportError(f"{path} has report schema {schema}, this version reads {SCHEMA}: {newer}.")
        try:
            data = UPGRADES[schema](data)
        except (KeyError, TypeError, AttributeError) as error:
            raise ReportError(
                f"{path} is not a whole report of schema {schema}. Measure the clip again."
            ) from error
    return data


def _validated(path: Path | str, data: dict[str, Any]) -> Report:
    try:
        return Report.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ReportError(
            f"{path} is not a whole report: {place}: {first['msg']}. Measure the clip again."
        ) from error
