"""The queue: nothing is lost and nothing done twice, whoever is killed; a poisonous clip fails alone."""

import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from desk import Desk, settings_for
from shop import Shop, check_done_once

from service import jobs, measure
from service.store.models import Clip


@pytest.fixture
def shop(tmp_path: Path, clip_bytes: bytes) -> Iterator[Shop]:
    made = Shop(settings_for(tmp_path / "data"), clip_bytes, tmp_path / "log")
    yield made
    made.close()


def test_jobs_survive_the_kill_of_the_only_worker(shop: Shop) -> None:
    shop.send(4)
    first = shop.start(seconds=1.0)
    shop.until(lambda: shop.states()["done"] >= 1 and shop.states()["running"] == 1)
    worker = psutil.Process(first.pid)
    # a job is called running a moment before its process exists
    shop.until(lambda: bool(worker.children(recursive=True)), seconds=20)
    children = worker.children(recursive=True)
    first.send_signal(signal.SIGKILL)
    first.wait()
    psutil.wait_procs(children, timeout=5)
    assert not any(c.is_running() and c.status() != psutil.STATUS_ZOMBIE for c in children), "no orphan"
    assert shop.states()["running"] == 1, "the job in hand is not lost"
    shop.start()
    shop.until(shop.finished)
    check_done_once(shop, 4)
    assert len(shop.log.read_text().splitlines()) == 4, "no measuring came to its end twice"


def test_a_kind_stop_leaves_the_job_for_the_next(shop: Shop) -> None:
    shop.send(1)
    first = shop.start(seconds=30)
    shop.until(lambda: shop.states()["running"] == 1)
    first.send_signal(signal.SIGTERM)
    assert first.wait(timeout=20) == 0
    assert shop.states()["running"] == 1
    shop.start()
    shop.until(shop.finished)
    check_done_once(shop, 1)


def test_a_row_without_hand_over_is_found_again(shop: Shop) -> None:
    """The server died between writing the row and telling the engine."""
    with shop.store.write() as db:
        clip = Clip(client_id=shop.client_id, exercise="toe_tap", side="both", size=1, duration_s=2.5,
                    width=320, height=240)  # fmt: skip
        db.add(clip)
        db.flush()
        job = jobs.add(db, clip)
        job.created_at = job.created_at.replace(year=2020)
    shop.files.put(shop.client_id, clip.id, "original", shop.clip)
    shop.queue.recover()
    shop.queue.recover()
    shop.start()
    shop.until(shop.finished)
    check_done_once(shop, 1)


def test_two_workers_on_one_postgres_one_killed(postgres: str, tmp_path: Path, clip_bytes: bytes) -> None:
    shop = Shop(settings_for(tmp_path / "data", database_url=postgres), clip_bytes, tmp_path / "log")
    try:
        shop.send(20)
        first, _second = shop.start(), shop.start()
        shop.until(lambda: shop.states()["done"] >= 5 and shop.states()["running"] == 2)
        first.send_signal(signal.SIGKILL)
        shop.until(shop.finished)
        check_done_once(shop, 20)
        measured = len(shop.log.read_text().splitlines())
        # killed between the end of measuring and the keeping of its result, a job is measured again
        assert measured in (20, 21), "all but the one in the dead worker's hand are measured once"
    finally:
        shop.close()


# --------------------------------------------------------------- clips that misbehave


def outcome(desk: Desk, clip_bytes: bytes) -> dict[str, Any]:
    client = desk.client("Cleo")
    desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    job: dict[str, Any] = desk.wait(client, clip_id, 60)["job"]
    return job


def test_a_poisonous_clip_fails_alone(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(measure="standin:dying", attempts=2)
    job = outcome(desk, clip_bytes)
    assert (job["state"], job["attempts"]) == ("failed", 2)
    assert "stopped the program" in job["reason"]


def test_memory_is_limited(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(measure="standin:hungry", measure_memory_bytes=400 * 1024**2)
    job = outcome(desk, clip_bytes)
    assert (job["state"], job["attempts"]) == ("failed", 1)
    assert "400 MiB of memory" in job["reason"]


def test_time_is_limited(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(measure="standin:endless", measure_base_seconds=1, measure_seconds_per_second=0.1)
    job = outcome(desk, clip_bytes)
    assert job["state"] == "failed"
    assert "took longer" in job["reason"]


def test_a_running_job_can_be_cancelled_and_done_again(
    open_desk: Callable[..., Desk], clip_bytes: bytes
) -> None:
    desk = open_desk(measure="standin:endless")
    client = desk.client("Cleo")
    desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    for _ in range(200):
        if client.ok("get", f"/clips/{clip_id}")["job"]["stage"] == "measuring":
            break
        time.sleep(0.05)
    client.ok("post", f"/clips/{clip_id}/cancel")
    assert desk.wait(client, clip_id)["job"]["state"] == "cancelled"
    assert client.post(f"/clips/{clip_id}/cancel").status_code == 409
    assert client.ok("post", f"/clips/{clip_id}/again")["state"] == "queued"
    client.ok("post", f"/clips/{clip_id}/cancel")
    assert desk.wait(client, clip_id)["job"]["state"] == "cancelled"


def test_the_video_to_watch_is_told_as_it_grows(tmp_path: Path, clip_bytes: bytes) -> None:
    (tmp_path / "clip").write_bytes(clip_bytes)
    told: list[tuple[str, float]] = []
    results = {name: str(tmp_path / name) for name in measure.RESULTS}
    measure.whole(lambda *now: told.append(now), str(tmp_path / "clip"), results, "toe_tap", "both", {}, {},
                  blur=True, measure="standin:quick")  # fmt: skip
    shares = [share for stage, share in told if stage == "video"]
    assert shares == sorted(shares)
    assert shares[0] == measure.MEASURING_SHARE
    assert shares[-1] == pytest.approx(1.0, abs=0.02)
    assert len(set(shares)) > 10


def test_progress_is_told_as_it_changes(open_desk: Callable[..., Desk], clip_bytes: bytes) -> None:
    desk = open_desk(measure="standin:slow")
    client = desk.client("Cleo")
    desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    answer = client.get(f"/clips/{clip_id}/progress")
    assert answer.headers["content-type"].startswith("text/event-stream")
    events = [line for line in answer.text.splitlines() if line.startswith("data:")]
    assert '"state":"done"' in events[-1].replace(" ", "")
