"""Joints of a clip in the C3D file that the service gives, read back with an independent library."""

from collections.abc import Callable
from pathlib import Path

import c3d
import numpy as np
import pytest
from desk import Desk

from analysis.records import JOINTS


@pytest.mark.parametrize("kept", [True, False])
def test_motion_files_hold_joints_where_they_were_kept(
    open_desk: Callable[..., Desk], long_clip: Path, tmp_path: Path, kept: bool
) -> None:
    desk = open_desk(measure="pictured:rich")
    client = desk.client("Cleo")
    desk.send_clip(client, long_clip.read_bytes())
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    desk.wait(client, clip_id)
    if not kept:
        desk.services.files.delete(client.id, clip_id, "joints.npz")
    answer = desk.owner.get(f"/clips/{clip_id}/export/c3d")
    path = tmp_path / "clip.c3d"
    path.write_bytes(answer.content)
    with path.open("rb") as file:
        reader = c3d.Reader(file)
        labels = [label.strip() for label in reader.point_labels]
        points = np.stack([frame[1] for frame in reader.read_frames()])
    angles = ["pelvic_tilt", "knee_flexion_left", "knee_flexion_right"]
    assert labels == ([*JOINTS, *angles] if kept else angles)
    if kept:
        seen = points[:, 3, 3] >= 0
        assert seen.any()
        np.testing.assert_allclose(points[seen, 3, :3], [[0, 30.0, 0]] * seen.sum(), atol=1e-3)
