"""A real sample clip through the real pose model, from the client's upload to the coach's feedback."""

from collections.abc import Callable
from pathlib import Path

import av
import pytest
from desk import Desk

CLIPS = Path(__file__).parents[2] / "sample_clips"


@pytest.mark.timeout(1200)
def test_a_real_clip_from_upload_to_feedback(open_desk: Callable[..., Desk], tmp_path: Path) -> None:
    clip = next(iter(sorted(CLIPS.glob("toe_tap*.mp4"))))
    desk = open_desk(measure="service.measure:measure")
    client, coach = desk.client("Cleo"), desk.owner
    item = coach.ok(
        "post", f"/clients/{client.id}/programme", json={"exercise": "toe_tap", "days": [1, 2, 3, 4, 5, 6, 7]}
    )
    answer = desk.send_clip(client, clip.read_bytes(), item=item["id"])
    assert answer.status_code == 204, answer.text
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    done = desk.wait(client, clip_id, 1000)
    assert done["job"]["state"] == "done", done["job"]
    report = client.ok("get", f"/clips/{clip_id}/report")
    assert report["capture"]["usable"], report["capture"]
    assert len(report["repetitions"]) == done["summary"]["repetitions"] > 0
    assert report["cautions"]
    assert report["session"]["client"] == client.id, "a pseudonym, not a name"

    track = coach.ok("get", f"/clips/{clip_id}/track")
    seen = [p for body in track["points"] for p in body if p]
    assert len(track["time_s"]) == len(track["points"])
    assert sum(0 <= x <= 1 and 0 <= y <= 1 for x, y in seen) > 0.9 * len(seen)

    video = tmp_path / "review.mp4"
    video.write_bytes(coach.get(f"/clips/{clip_id}/video").content)
    with av.open(str(video)) as opened:
        stream = opened.streams.video[0]
        assert stream.codec_context.name == "h264"
        assert float(stream.duration * stream.time_base) == pytest.approx(done["duration_s"], abs=0.2)

    ranges = coach.ok("get", f"/clips/{clip_id}/range-of-motion")
    assert any(r["signal"].startswith("knee_flexion") for r in ranges)
    coach.ok("post", f"/clips/{clip_id}/feedback", json={"text": "Well done."})
    assert client.ok("get", "/me/feedback")[0]["text"] == "Well done."
