"""Reports of an older schema, brought up one step at a time; nothing that was not measured is made up."""

from collections.abc import Callable
from typing import Any, Final

_SIDES: Final = {"L": "left", "R": "right"}


def _from_0(old: dict[str, Any]) -> dict[str, Any]:
    """Schema 0, the trial layout: sides as L and R, cautions as plain text, no error of a change stated."""
    return old | {
        "schema": 1,
        "repetitions": [rep | {"side": _SIDES.get(rep["side"], rep["side"])} for rep in old["repetitions"]],
        "cautions": [
            {"kind": "scope", "text": text, "source": "as the report was written"} for text in old["cautions"]
        ],
    }


# schema -> function to the next one
UPGRADES: Final[dict[int, Callable[[dict[str, Any]], dict[str, Any]]]] = {0: _from_0}
