"""The invented practice: filled through the same functions, and alive on every page's data."""

from collections.abc import Callable
from pathlib import Path

import pytest
from desk import Desk, Someone, make_clip, settings_for
from fastapi.testclient import TestClient

from service import demo
from service.app import create_app
from service.services import Services


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    folder = tmp_path_factory.mktemp("demo")
    for exercise in {e for c in demo.scenario().client for e in c.exercises}:
        make_clip(folder / f"{exercise}_side.mp4")
    settings = settings_for(folder / "data", workers=0)
    services = Services.open(settings)
    demo.fill(services, folder, most=1)
    demo.fill(services, folder)
    demo.fill(services, folder)
    services.close()
    assert not (settings.data_dir / "samples").exists(), "nothing is left over"
    return TestClient(create_app(settings), base_url="http://127.0.0.1")


def signed_in(http: TestClient, name: str) -> Someone:
    someone = Someone(http, "", name)
    data = {"email": demo.email(name), "password": demo.scenario().password}
    someone.id = someone.ok("post", "/sign-in", json=data)["id"]
    return someone


def test_every_page_has_life(filled: TestClient) -> None:
    with filled:
        coach = signed_in(filled, "Mara Lind")
        clients = {c["name"]: c["id"] for c in coach.ok("get", "/clients")}
        assert set(clients) == {c.name for c in demo.scenario().client}
        assert coach.ok("get", "/clips"), "something waits to be reviewed"
        ada = clients["Ada Moss"]
        assert len(coach.ok("get", f"/clients/{ada}/clips")) == 24
        told = coach.ok("get", f"/clients/{ada}/progress")
        taps = next(e for e in told["exercises"] if e["exercise"] == "toe_tap")
        series = next(s for s in taps["series"] if s["measure"] == "range_deg")
        values = [p["value"] for p in series["points"]]
        assert values == sorted(values)
        assert values[-1] == pytest.approx(30.0)
        pains = [s["pain_before"] for s in coach.ok("get", f"/clients/{ada}/sessions")]
        assert (pains[0], pains[-1]) == (2, 5)
        ida = signed_in(filled, "Ida Stone")
        today = ida.ok("get", f"/clients/{ida.id}/today")
        assert today["items"] == []
        assert "doctor" in today["care"]["contacts"][0]


def test_a_practice_of_somebody_else_is_left_alone(open_desk: Callable[..., Desk], tmp_path: Path) -> None:
    desk = open_desk(workers=0)
    demo.fill(desk.services, tmp_path)
    assert [p["name"] for p in desk.owner.ok("get", "/practice/people")] == ["Olive"]


def test_a_physio_sees_a_change(filled: TestClient) -> None:
    with filled:
        physio = signed_in(filled, "Jonas Reed")
        ada = next(c["id"] for c in physio.ok("get", "/clients") if c["name"] == "Ada Moss")
        clip = physio.ok("get", f"/clients/{ada}/clips")[0]["id"]
        rows = physio.ok("get", f"/clips/{clip}/range-of-motion")
        tilt = next(r for r in rows if r["signal"] == "pelvic_tilt" and r["end"] == "highest")
        before = [c["other"] for c in tilt["earlier"]]
        assert before == sorted(before, reverse=True), "the newest first, so the smaller ones come later"
        assert before[0] < tilt["value"] == pytest.approx(8.0)


def test_the_sample_clips_are_there_for_the_scenario() -> None:
    folder = Path(__file__).parents[2] / "sample_clips"
    for exercise in {e for c in demo.scenario().client for e in c.exercises}:
        assert list(folder.glob(f"{exercise}*.mp4")), exercise
