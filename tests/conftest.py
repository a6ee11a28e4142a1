"""The command line in this process, for all tests of commands."""

import signal
import sys
from pathlib import Path

import pytest
from terminal import Ended, Matline, write_clip

from analysis import cli


@pytest.fixture
def matline(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Matline:
    """Runs the command in this process, as its installed script would."""

    def run(*arguments: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["matline", *map(str, arguments)])
        monkeypatch.setattr("analysis.cli.console.out.width", 200)
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        return Ended(int(ended.value.code or 0), " ".join(told.out.split()), " ".join(told.err.split()))

    return run


@pytest.fixture(scope="session")
def noise(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip of 32 s without anybody in it."""
    return write_clip(tmp_path_factory.mktemp("clips") / "noise.mp4", frames=320)
