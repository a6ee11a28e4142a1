"""The words of the pages: what a client is told, without a browser."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from desk import Desk
from standin import finding

from analysis.records import Capture, Measures, Repetition, Report
from service import review
from service.pages import plain, view


def repetition(verdict: str, *kinds: str) -> Repetition:
    found = tuple(finding(kind) for kind in kinds)
    times: dict[str, Any] = {"start_s": 0.0, "turn_s": 1.0, "end_s": 2.0, "measures": Measures()}
    return Repetition(index=1, side="left", findings=found, verdict=verdict, **times)  # type: ignore[arg-type]


def test_nothing_measured_is_not_called_good(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(measure="standin:empty")
    client = desk.client("Cleo")
    desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    desk.wait(client, clip_id)
    text = client.http.get(f"/clips/{clip_id}").text
    assert "No repetition was found in this clip." in text
    assert "What this clip cannot tell:</p><ul><li>The pelvis was hidden." in text
    assert "Go on as you do" not in text


def of_exercise(name: str, *repetitions: Repetition) -> Report:
    capture = Capture(view="side", usable=True)
    return Report.model_construct(exercise=name, capture=capture, repetitions=repetitions, findings=())


def test_what_is_near_its_limit_is_not_called_steady() -> None:
    calm = repetition("sound").model_copy(update={"measures": Measures(out_s=2.0, pelvis_deg=1.0)})
    close = calm.model_copy(update={"verdict": "borderline", "near": ("rushed",)})
    told = plain.steady(of_exercise("toe_tap", calm, close))
    assert [text for text in told if "speed" in text] == ["The speed was calm in 1 of 2 repetitions."]
    assert [text for text in told if "pelvis" in text] == [
        "The pelvis, as far as it was seen, stayed still in 2 of 2 repetitions."
    ]


@pytest.mark.parametrize(("exercise", "judged"), [("toe_tap", False), ("leg_extension", True)])
def test_what_is_not_judged_is_not_called_right(exercise: str, judged: bool) -> None:
    """A toe tap has a spot to tap and no limit of its size."""
    whole = repetition("sound").model_copy(update={"measures": Measures(out_s=2.0, range_deg=80.0)})
    told = plain.steady(of_exercise(exercise, whole))
    assert ("The size of the movement was right in 1 of 1 repetitions." in told) is judged
    assert "The speed was calm in 1 of 1 repetitions." in told


@pytest.mark.parametrize(
    ("before", "after"),
    [("flagged", "sound"), ("not_measured", "not_measured"), ("borderline", "borderline")],
)
def test_a_dismissed_finding_makes_sound_only_what_it_flagged(before: str, after: str) -> None:
    report = Report.model_construct(repetitions=(repetition(before, "rushed"),), findings=())
    kept = review.without(report, set(review.finding_refs(report)))
    assert kept.repetitions[0].findings == ()
    assert kept.repetitions[0].verdict == after


@pytest.mark.parametrize(
    ("item", "words"),
    [
        ({"repetitions": 8, "tempo_s": 2.5, "side": "left"}, "8 repetitions, 2.5 s each way, left side"),
        ({"repetitions": 1}, "1 repetition"),
        ({"hold_s": 20.0, "range_deg": 40.0}, "hold 20 s, about 40° of movement"),
        ({"side": "right"}, "right side"),
        ({}, "as often as agreed"),
    ],
)
def test_how_much_is_told_in_one_phrase(item: dict[str, Any], words: str) -> None:
    usual = dict.fromkeys(("repetitions", "hold_s", "tempo_s", "range_deg")) | {"side": "both"}
    parts: Any = view._environment.get_template("parts.html").module
    assert str(parts.amount_of(SimpleNamespace(**usual | item))).strip() == words
