"""The joints of a measured body over time, kept beside a report for files of motion software."""

from contextlib import suppress
from pathlib import Path

import numpy as np

from analysis.records import Skeleton
from service.errors import NotFound
from service.files import Files
from service.store.models import Clip


def write(body: Skeleton, path: Path) -> None:
    """Keep the joints, to a tenth of a millimetre."""
    with path.open("wb") as file:
        np.savez_compressed(
            file, time_s=body.time_s, joints_cm=np.round(body.joints_cm, 2).astype(np.float32)
        )


def of_clip(files: Files, clip: Clip, sheet: Path) -> Skeleton | None:
    """The joints of a clip, by way of a file; None where it was measured before they were kept."""
    with suppress(NotFound), np.load(files.fetch(clip.client_id, clip.id, "joints.npz", sheet)) as kept:
        return Skeleton(kept["time_s"], {}, kept["joints_cm"].astype(float))
    return None
