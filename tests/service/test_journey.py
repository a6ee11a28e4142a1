"""The three people's day through the API, with a stand-in for measuring."""

from desk import Desk, add_bytes, announce


def test_from_invitation_to_feedback(working_desk: Desk, clip_bytes: bytes) -> None:
    desk, coach = working_desk, working_desk.owner
    client = desk.client("Cleo")
    item = coach.ok(
        "post",
        f"/clients/{client.id}/programme",
        json={"exercise": "toe_tap", "repetitions": 8, "days": [1, 2, 3, 4, 5, 6, 7]},
    )
    session = desk.session_of(client)
    today = client.ok("get", f"/clients/{client.id}/today")
    assert [i["id"] for i in today["items"]] == [item["id"]]
    assert today["session"]["id"] == session
    assert today["cautions"]

    answer = desk.send_clip(client, clip_bytes, session=session, item=item["id"])
    assert answer.status_code == 204, answer.text
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    clip = desk.wait(client, clip_id)
    assert clip["job"]["state"] == "done", clip["job"]
    assert clip["summary"] == {"usable": True, "repetitions": 1, "flagged": 1, "reviewed_at": None}

    assert [c["id"] for c in coach.ok("get", "/clips")] == [clip_id]
    report = coach.ok("get", f"/clips/{clip_id}/report")
    assert report["schema"] == 1
    assert report["session"]["pain_before"] == 2
    assert coach.ok("get", f"/clips/{clip_id}/track")["points"][0][32] is None

    ref = "r1.pelvis_tilted.1"
    assert coach.put(f"/clips/{clip_id}/findings/{ref}", json={"accepted": False}).status_code == 422
    coach.ok("put", f"/clips/{clip_id}/findings/{ref}", json={"accepted": False, "reason": "shirt moved"})
    other = f"/clips/{clip_id}/findings/r1.pelvis_tilted.0"
    assert client.ok("get", f"/clips/{clip_id}")["summary"]["flagged"] == 1, "for the other finding"
    coach.ok("put", other, json={"accepted": False, "reason": "shirt moved"})
    assert client.ok("get", f"/clips/{clip_id}")["summary"]["flagged"] == 0
    coach.ok("delete", other)
    assert client.ok("get", f"/clips/{clip_id}")["summary"]["flagged"] == 1
    coach.ok("post", f"/clips/{clip_id}/comments", json={"at_s": 1.2, "text": "here"})
    coach.ok("post", f"/clips/{clip_id}/feedback", json={"text": "Smaller, and slower."})
    assert coach.ok("get", "/clips") == []
    assert [f["text"] for f in client.ok("get", "/me/feedback")] == ["Smaller, and slower."]
    client.ok("post", f"/clips/{clip_id}/feedback/read")
    assert client.ok("get", "/me/feedback") == []
    said = client.ok("get", f"/clips/{clip_id}/review")
    assert [d["finding"] for d in said["decisions"]] == [ref]
    assert said["comments"][0]["author"] == "Olive"

    ended = client.ok("post", f"/sessions/{session}/end", json={"pain_after": 5})
    assert ended["caution"].startswith("Stop at once")
    assert client.ok("get", f"/clips/{clip_id}/report")["session"]["pain_after"] == 5


def test_video_can_be_sought(working_desk: Desk, clip_bytes: bytes) -> None:
    client = working_desk.client("Cleo")
    working_desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    working_desk.wait(client, clip_id)
    whole = client.get(f"/clips/{clip_id}/video")
    assert whole.headers["content-type"] == "video/mp4"
    assert whole.content[4:8] == b"ftyp"
    part = client.get(f"/clips/{clip_id}/video", headers={"Range": "bytes=10-19"})
    assert part.status_code == 206
    assert part.content == whole.content[10:20]
    assert part.headers["content-range"] == f"bytes 10-19/{len(whole.content)}"
    tail = client.get(f"/clips/{clip_id}/video", headers={"Range": "bytes=-5"})
    assert tail.content == whole.content[-5:]
    assert client.get(f"/clips/{clip_id}/video", headers={"Range": "bytes=99999999-"}).status_code == 416


def test_warning_sign_ends_the_session_without_advice(desk: Desk) -> None:
    coach, client = desk.owner, desk.client("Cleo")
    coach.ok("patch", "/practice", json={"contact": "Call Olive, 555 0100."})
    coach.ok(
        "post",
        f"/clients/{client.id}/programme",
        json={"exercise": "toe_tap", "days": [1, 2, 3, 4, 5, 6, 7]},
    )
    session = desk.session_of(client, bladder_bowel=True)
    shown = client.ok("get", f"/sessions/{session}")
    assert "emergency department" in shown["care"]["contacts"][0]
    assert shown["care"]["practice_contact"] == "Call Olive, 555 0100."
    today = client.ok("get", f"/clients/{client.id}/today")
    assert today["items"] == []
    assert today["care"]
    again = client.post("/sessions", json={"pain_before": 1, "answers": {}})
    assert again.status_code == 423
    assert "emergency" in again.json()["detail"]
    assert client.post(f"/sessions/{session}/clear", json={"note": "me"}).status_code == 403
    coach.ok("post", f"/sessions/{session}/clear", json={"note": "seen by her doctor"})
    assert client.ok("get", f"/clients/{client.id}/today")["items"]


def test_tilts_are_told_against_the_range_filmed_in_the_same_session(
    working_desk: Desk, clip_bytes: bytes
) -> None:
    client = working_desk.client("Cleo")
    session = working_desk.session_of(client)
    reports = {}
    for exercise in ("pelvic_tilt", "toe_tap"):
        made = announce(client, len(clip_bytes), exercise=exercise, session=session)
        add_bytes(client, made.json()["id"], 0, clip_bytes)
        clips = client.ok("get", f"/clients/{client.id}/clips")
        (clip_id,) = [c["id"] for c in clips if c["exercise"] == exercise]
        working_desk.wait(client, clip_id)
        reports[exercise] = client.ok("get", f"/clips/{clip_id}/report")
    assert reports["pelvic_tilt"]["session"]["tuck_arch_deg"] is None
    assert reports["toe_tap"]["session"]["tuck_arch_deg"] == 30.0  # the width that the stand-in found
