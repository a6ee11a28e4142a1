"""`matline demo`: a sample clip through the whole walk, into a folder."""

from pathlib import Path
from typing import Final

from analysis.cli import console
from analysis.cli.check import Outputs, run
from analysis.errors import ClipError, ReportError

EXERCISE: Final = "toe_tap"
FOLDERS: Final = (Path(__file__).parents[2] / "sample_clips", Path("sample_clips"))


def run_demo(folder: Path, *, fast: bool = False) -> None:
    """Measure the sample clip and write report, page and video. Raises ClipError, ReportError."""
    clip = next((c for f in FOLDERS for c in sorted(f.glob(f"{EXERCISE}*.mp4"))), None)
    if clip is None:
        raise ClipError("The sample clips are not here. Run this in the project's folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(
            f"The folder {folder} cannot be made ({error.strerror}). Choose another."
        ) from error
    console.out.print(f"Sample clip: {clip.name}, a rendered person")
    outputs = Outputs(json=folder / "report.json", html=folder / "report.html", video=folder / "video.mp4")
    run(clip, EXERCISE, None, outputs, fast=fast)
