"""Files of clips in a local folder or an S3-compatible store, through one interface.

Names are made here from identifiers alone: `<client>/<clip>/<kind>`. Nothing a person typed is in them.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final, Literal, NewType
from urllib.parse import urlsplit

import obstore
from obstore.store import LocalStore, ObjectStore, S3Store

from service import scratch
from service.errors import NotFound
from service.settings import Settings

PartFile = NewType("PartFile", str)
Kind = Literal["original", "review.mp4", "track.json.gz", "joints.npz"] | PartFile
# What shows the client, or is drawn over that; the rest is kept as long as the report.
PICTURED: Final[tuple[Kind, ...]] = ("original", "review.mp4", "track.json.gz")
KINDS: Final[tuple[Kind, ...]] = (*PICTURED, "joints.npz")
_CHUNK = 1024 * 1024


def part_file(job_id: str) -> PartFile:
    """What was measured of a part of a clip; it is there until all parts are joined."""
    return PartFile(f"part-{job_id}")


class Files:
    """Put, read, list and delete the files of clips."""

    def __init__(self, settings: Settings) -> None:
        self._store, self._drafts = _open(settings), settings.drafts_dir

    def put(self, client_id: str, clip_id: str, kind: Kind, source: Path | bytes) -> None:
        """Store a file, in place of an earlier one; it appears only when whole, and outlives a power cut."""
        name = _name(client_id, clip_id, kind)
        if isinstance(self._store, LocalStore):
            self._put_here(Path(str(self._store.prefix)), name, source)
        else:
            obstore.put(self._store, name, source)

    def _put_here(self, folder: Path, name: str, source: Path | bytes) -> None:
        """Not by the store itself, whose half of a file stays for good where the process is killed."""
        with scratch.room(self._drafts) as room:
            draft = room / "file"
            if isinstance(source, bytes):
                draft.write_bytes(source)
            else:
                shutil.copyfile(source, draft)
            (folder / name).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            draft.replace(folder / name)
        _to_disk(folder, name)

    def fetch(self, client_id: str, clip_id: str, kind: Kind, target: Path) -> Path:
        """Copy a file to a local path; raises NotFound."""
        with target.open("wb") as file:
            for chunk in self.read(client_id, clip_id, kind, 0, self.size(client_id, clip_id, kind)):
                file.write(chunk)
        return target

    def size(self, client_id: str, clip_id: str, kind: Kind) -> int:
        """Bytes of a file; raises NotFound."""
        try:
            return int(obstore.head(self._store, _name(client_id, clip_id, kind))["size"])
        except FileNotFoundError as error:
            raise NotFound("file", "or it was deleted after its time") from error

    def read(self, client_id: str, clip_id: str, kind: Kind, start: int, stop: int) -> Iterator[bytes]:
        """Bytes [start, stop) of a file, in pieces."""
        name = _name(client_id, clip_id, kind)
        for at in range(start, stop, _CHUNK):
            yield bytes(obstore.get_range(self._store, name, start=at, end=min(at + _CHUNK, stop)))

    def delete(self, client_id: str, clip_id: str, *kinds: Kind) -> None:
        """Delete files of a clip, all of them where none is named; nothing happens where none is there."""
        named = [_name(client_id, clip_id, kind) for kind in kinds]
        for name in named or self.names(f"{client_id}/{clip_id}"):
            with suppress(FileNotFoundError):
                obstore.delete(self._store, name)

    def names(self, owner: str = "") -> list[str]:
        """Names of all files, or of one client, or of one clip (`<client>/<clip>`)."""
        prefix = f"{owner}/" if owner else None
        found = [str(entry["path"]) for page in obstore.list(self._store, prefix) for entry in page]
        return [name for name in found if not name.startswith(f"{self._drafts.name}/")]

    def delete_client(self, client_id: str) -> None:
        """Delete every file of a client, also what no row tells of."""
        for name in self.names(client_id):
            with suppress(FileNotFoundError):
                obstore.delete(self._store, name)


def _name(client_id: str, clip_id: str, kind: Kind) -> str:
    return f"{client_id}/{clip_id}/{kind}"


def _to_disk(folder: Path, name: str) -> None:
    """Have the system write a file down, and the folders that lead to it."""
    path = folder / name
    for place in (path, *path.parents[: name.count("/") + 1]):
        handle = os.open(place, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _open(settings: Settings) -> ObjectStore:
    if not settings.files_url:
        folder = settings.clips_dir
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        return LocalStore(prefix=folder, automatic_cleanup=True)
    address = urlsplit(settings.files_url)
    return S3Store(
        address.netloc,
        prefix=address.path.strip("/") or None,
        endpoint=settings.s3_endpoint or None,
        access_key_id=settings.s3_access_key.get_secret_value() or None,
        secret_access_key=settings.s3_secret_key.get_secret_value() or None,
        region=settings.s3_region,
        virtual_hosted_style_request=not settings.s3_endpoint,
        client_options={"allow_http": settings.s3_endpoint.startswith("http://")},
    )
