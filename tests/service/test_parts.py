"""Long clips in parts: as if measured in one go, whoever is killed; nothing of the parts is left."""

import collections
import gzip
import itertools
import json
import math
import signal
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desk import make_clip, open_at, settings_for
from shop import Shop, check_done_once
from sqlalchemy import select

from analysis import observe, video
from analysis.exercises import Prescription
from analysis.observe import kept
from analysis.records import Observations, SessionNotes
from service import jobs, measure, parts
from service.files import KINDS, part_file
from service.store.models import Job, StoredReport

SAMPLE = Path(__file__).parents[2] / "sample_clips" / "leg_extension_902.mp4"
SECONDS, PARTS = 25.0, 3  # measured in four stretches, so that parts are not alike
REAL = {"measure": "service.measure:measure", "MATLINE_PART_SECONDS": "9"}


@pytest.fixture(scope="session")
def sampled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some of a sample clip with few pictures a second, which the pose model is soon through with."""
    path = tmp_path_factory.mktemp("sampled") / "clip.mp4"
    times = np.arange(0, SECONDS, 0.3).tolist()
    video.write_video(path, video.frames(video.probe(SAMPLE), times, short_side_px=360))
    return path


@pytest.fixture(scope="session")
def unsplit(sampled: Path) -> Observations:
    return observe.observe(video.probe(sampled))


@pytest.fixture(params=["one machine", "many machines"])
def shop(request: pytest.FixtureRequest, tmp_path: Path, clip_bytes: bytes) -> Iterator[Shop]:
    """On SQLite and local files, or on Postgres and an S3-compatible store."""
    more: dict[str, str] = {}
    if request.param == "many machines":
        more = request.getfixturevalue("bucket") | {"database_url": request.getfixturevalue("postgres_alone")}
    made = Shop(settings_for(tmp_path / "data", **more), clip_bytes, tmp_path / "log")
    yield made
    made.close()


# ------------------------------------------------------------------------------ with real workers


def test_a_long_clip_is_measured_in_parts_as_in_one_go(
    shop: Shop, sampled: Path, unsplit: Observations
) -> None:
    """One worker is killed with a part in its hand, which another does again."""
    shop.clip = sampled.read_bytes()
    [job_id] = shop.send(1, "leg_extension", SECONDS)
    first = shop.start(**REAL)
    second = None if shop.settings.embedded else shop.start(**REAL)
    at_once = 1 if second is None else 2
    shop.until(lambda: in_parts(shop)["running"] == at_once and in_parts(shop).total() == PARTS)
    first.send_signal(signal.SIGKILL)
    first.wait()
    if second is None:
        shop.start(**REAL)
    shares: list[float] = []

    def ended() -> bool:
        shares.append(shop.queue.status(job_id).progress)  # type: ignore[union-attr]
        starts.update({p.id: p.attempts for p in rows(shop)})
        return shop.finished()

    starts: dict[str, int] = {}
    shop.until(ended)
    assert sorted(starts.values()) == [1] * (PARTS - 1) + [2], "only what was in its hand is done again"
    assert all(b > a - 0.2 for a, b in itertools.pairwise(shares)), "one sum, not a part's own"
    check_done_once(shop, 1)
    check_equal(shop, sampled, unsplit)
    shop.until(lambda: not rows(shop), seconds=20)
    assert {name.rpartition("/")[2] for name in shop.files.names()} == set(KINDS)


def check_equal(shop: Shop, clip: Path, unsplit: Observations) -> None:
    """Report and track are those of the clip measured in one go."""
    order = measure.Order(clip, "leg_extension", "both", Prescription(), SessionNotes(), unsplit)
    whole = json.loads(measure.measure(order, lambda share: None).report.model_dump_json(by_alias=True))
    with shop.store.read() as db:
        stored = db.scalars(select(StoredReport)).one()
        found, clip_id = json.loads(stored.body), stored.clip_id
    assert len(found["repetitions"]) > 1
    check_alike(found | {"session": None}, whole | {"session": None}, "report")
    target = shop.settings.data_dir / "track"
    shop.files.fetch(shop.client_id, clip_id, "track.json.gz", target)
    track = json.loads(gzip.decompress(target.read_bytes()))
    check_alike(track, json.loads(gzip.decompress(measure.track_json(unsplit))), "track")


def check_alike(a: Any, b: Any, where: str) -> None:
    if isinstance(b, dict):
        assert a.keys() == b.keys(), where
        for name in b:
            check_alike(a[name], b[name], f"{where}.{name}")
    elif isinstance(b, list):
        assert len(a) == len(b), where
        for i, (one, other) in enumerate(zip(a, b, strict=True)):
            check_alike(one, other, f"{where}[{i}]")
    elif isinstance(b, float):
        assert math.isclose(a, b, abs_tol=0.002), where
    else:
        assert a == b, where


def test_a_long_clip_that_is_cancelled_leaves_nothing(
    tmp_path: Path, clip_bytes: bytes, sampled: Path
) -> None:
    shop = Shop(settings_for(tmp_path / "data"), clip_bytes, tmp_path / "log")
    try:
        shop.clip = sampled.read_bytes()
        [job_id] = shop.send(1, "leg_extension", SECONDS)
        shop.start(**REAL)
        shop.until(lambda: in_parts(shop)["done"] >= 1 and in_parts(shop)["running"] == 1)
        assert shop.queue.cancel(job_id).state == "cancelled", "at once"
        shop.until(lambda: not rows(shop), seconds=20)
        shop.until(lambda: not open_at(shop.settings), seconds=20)
        assert [name.rpartition("/")[2] for name in shop.files.names()] == ["original"]
    finally:
        shop.close()


def rows(shop: Shop) -> list[Job]:
    with shop.store.read() as db:
        return list(db.scalars(select(Job).where(Job.part > 0).order_by(Job.part)))


def in_parts(shop: Shop) -> collections.Counter[str]:
    return collections.Counter(row.state for row in rows(shop))


# ------------------------------------------------------------------------------ the rows


@pytest.fixture
def cut(shop: Shop) -> tuple[str, list[str]]:
    """A job that is cut into parts, all of them begun: its identifier and theirs."""
    [job_id] = shop.send(1)
    with shop.store.write() as db:
        assert jobs.begin(db, job_id, 3) is not None
        parts.cut(db, job_id, {"any": 1}, PARTS)
        parts.cut(db, job_id, {"any": 1}, PARTS)
    found = [row.id for row in rows(shop)]
    assert len(found) == PARTS
    with shop.store.write() as db:
        assert jobs.begin(db, job_id, 3) is None, "it waits for its parts"
        for one in found:
            assert jobs.begin(db, one, 3) is not None
    return job_id, found


def whole(shop: Shop, job_id: str) -> Job:
    job = shop.queue.status(job_id)
    assert job is not None
    return job


def test_parts_that_end_together_hand_back_once(shop: Shop, cut: tuple[str, list[str]]) -> None:
    job_id, found = cut

    def finish(one: str) -> bool:
        with shop.store.write() as db:
            return parts.finish(db, one)

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(finish, found + found)), "the file of one done twice is wanted"
    assert whole(shop, job_id).run == 2
    with shop.store.read() as db:
        assert parts.due(db, whole(shop, job_id).clip_id) == [job_id]


def test_progress_is_that_of_all_parts(shop: Shop, cut: tuple[str, list[str]]) -> None:
    job_id, found = cut
    with shop.store.write() as db:
        jobs.tell(db, found[0], "measuring", 1.0)
        jobs.tell(db, found[1], "measuring", 0.5)
        parts.tell(db, whole(shop, job_id).clip_id)
    share = (measure.MEASURING_SHARE - measure.LOOK_SHARE) * 1.5 / PARTS
    assert whole(shop, job_id).progress == pytest.approx(measure.LOOK_SHARE + share)


def test_an_end_ends_all_and_what_comes_late_is_not_wanted(shop: Shop, cut: tuple[str, list[str]]) -> None:
    job_id, found = cut
    clip_id = whole(shop, job_id).clip_id
    with shop.store.write() as db:
        parts.finish(db, found[0])
    shop.files.put(shop.client_id, clip_id, part_file(found[0]), b"x")
    parts.clear(shop.store, shop.files, clip_id)
    assert len(rows(shop)) == PARTS, "nothing is cleared while it is needed"
    assert shop.queue.cancel(job_id).state == "cancelled"
    with shop.store.write() as db:
        assert not parts.finish(db, found[1])
        assert not jobs.tell(db, found[2], "measuring", 0.5)
    parts.clear_all(shop.store, shop.files)
    assert rows(shop) == []
    assert [name.rpartition("/")[2] for name in shop.files.names()] == ["original"]
    shop.queue.again(job_id)
    with shop.store.write() as db:
        assert jobs.begin(db, job_id, 3) is not None


def test_a_poisonous_part_fails_its_clip(shop: Shop, cut: tuple[str, list[str]]) -> None:
    job_id, found = cut
    with shop.store.write() as db:
        assert jobs.begin(db, found[2], 1) is None
    assert whole(shop, job_id).state == "failed"
    assert "each time" in whole(shop, job_id).reason
    assert {row.state for row in rows(shop)} == {"cancelled"}


def test_waiting_parts_without_hand_over_are_found_again(shop: Shop, cut: tuple[str, list[str]]) -> None:
    job_id, found = cut
    with shop.store.write() as db:
        for job in db.scalars(select(Job)):
            job.created_at = job.created_at.replace(year=2020)
    with shop.store.read() as db:
        assert {job.id for job in jobs.waiting_long(db)} == set(found), "the clip's own job waits for them"
    with shop.store.write() as db:
        for one in found:
            parts.finish(db, one)
        assert [job.id for job in jobs.waiting_long(db)] == [job_id]


# ------------------------------------------------------------------------------ on the way


def test_a_survey_comes_back_as_it_was(tmp_path: Path) -> None:
    seen = observe.look(video.probe(make_clip(tmp_path / "clip.mp4")))
    assert seen.client is None
    assert vars(kept.survey_from_json(json.loads(json.dumps(kept.survey_to_json(seen))))) == vars(seen)
