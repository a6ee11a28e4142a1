"""Routes of resumable uploads: the open tus protocol 1.0, with creation and termination.

Every route knows who asks before it reads a byte of the body.
"""

import base64
import binascii
from functools import partial
from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, Header, Request, Response
from pydantic import ValidationError

from service import access, audit, intake, uploads
from service.api.deps import Db, FilesDep, QueueDep, ServicesDep, TheUpload, Viewer
from service.errors import Refused, ServiceError
from service.records.base import ExerciseName, Id, In, Side
from service.records.clips import UploadOut
from service.settings import Settings
from service.store.models import Clip, Person, Upload

VERSION = "1.0.0"
_PART = "application/offset+octet-stream"
router = APIRouter(prefix="/uploads", tags=["uploads"])
Length = Annotated[int, Header(alias="Upload-Length", ge=0, le=2**62)]
Offset = Annotated[int, Header(alias="Upload-Offset", ge=0, le=2**62)]


class _VersionError(ServiceError):
    status = 412


class _TypeError(ServiceError):
    status = 415


class UploadMetadata(In):
    """What `Upload-Metadata` may say (base64 values). A client's own identifier may be left out, and the side
    where it is that of the programme item."""

    exercise: ExerciseName
    side: Side | None = None
    client: Id | None = None
    session: Id | None = None
    item: Id | None = None


@router.options("", status_code=204)
def capabilities(services: ServicesDep, response: Response) -> None:
    """What of the protocol there is."""
    response.headers["Tus-Resumable"] = response.headers["Tus-Version"] = VERSION
    response.headers["Tus-Extension"] = "creation,termination"
    response.headers["Tus-Max-Size"] = str(services.settings.upload_max_bytes)


@router.post("", status_code=201)
def create_upload(
    request: Request,
    response: Response,
    services: ServicesDep,
    db: Db,
    person: Viewer,
    length: Length,
    metadata: Annotated[str, Header(alias="Upload-Metadata", max_length=2000)],
) -> UploadOut:
    """Announce a clip; send its bytes to the address in `Location`."""
    _check_version(request)
    data = _parsed(metadata)
    wanted = uploads.Wanted(
        client_id=data.client or person.id,
        length=length,
        exercise=data.exercise,
        side=data.side,
        session_id=data.session,
        item_id=data.item,
    )
    row = uploads.create(db, services.settings, person, wanted)
    response.headers["Location"] = f"{request.url.path.rstrip('/')}/{row.id}"
    response.headers["Tus-Resumable"] = VERSION
    return described(services.settings, row)


@router.get("/{upload_id}/state")
def upload_state(upload_id: str, services: ServicesDep, db: Db, person: Viewer) -> UploadOut:
    """Where an upload stands; `accepted` once there is a clip of the same identifier."""
    if (clip := db.get(Clip, upload_id)) is not None:
        access.thing(db, person, Clip, upload_id)
        return UploadOut(id=clip.id, state="accepted", offset=clip.size, length=clip.size, reason="")
    return described(services.settings, access.thing(db, person, Upload, upload_id))


@router.head("/{upload_id}")
def upload_offset(services: ServicesDep, upload: TheUpload, response: Response) -> None:
    """How many bytes have arrived."""
    response.headers["Tus-Resumable"] = VERSION
    response.headers["Upload-Offset"] = str(uploads.offset(services.settings, upload.id))
    response.headers["Upload-Length"] = str(upload.length)


@router.patch("/{upload_id}", status_code=204)
async def add_bytes(
    request: Request,
    response: Response,
    services: ServicesDep,
    files: FilesDep,
    queue: QueueDep,
    upload: TheUpload,
    at: Offset,
) -> None:
    """Add bytes at the offset. With the last one the clip is checked; a clip that cannot be used is
    refused with the reason."""
    _check_version(request)
    if request.headers.get("content-type") != _PART:
        raise _TypeError(f"Send the bytes as {_PART}.")
    if upload.refused:
        raise Refused(upload.refused)
    offset = await uploads.append(services.settings, upload.id, upload.length, at, request.stream())
    response.headers["Tus-Resumable"], response.headers["Upload-Offset"] = VERSION, str(offset)
    if offset == upload.length:
        accept = partial(intake.accept, services.store, files, queue, upload.id)
        await to_thread.run_sync(accept, limiter=request.app.state.checks)


@router.delete("/{upload_id}", status_code=204)
def cancel_upload(
    services: ServicesDep, db: Db, person: Viewer, upload: TheUpload, response: Response
) -> None:
    """Drop an upload."""
    row = db.get_one(Upload, upload.id)
    uploads.remove(db, services.settings, row)
    audit.record(db, person, db.get(Person, upload.client_id), "changed", "upload", upload.id)
    response.headers["Tus-Resumable"] = VERSION


def described(settings: Settings, row: Upload) -> UploadOut:
    """An upload as it stands."""
    return UploadOut(
        id=row.id,
        state="refused" if row.refused else "receiving",
        offset=uploads.offset(settings, row.id),
        length=row.length,
        reason=row.refused,
    )


def _check_version(request: Request) -> None:
    if request.headers.get("tus-resumable") != VERSION:
        raise _VersionError(f"Send the header Tus-Resumable: {VERSION}.")


def _parsed(metadata: str) -> UploadMetadata:
    """`key base64,key base64` -> checked values; other keys, such as a file name, are dropped."""
    values: dict[str, str] = {}
    for pair in filter(None, metadata.split(",")):
        key, _, value = pair.strip().partition(" ")
        if key in UploadMetadata.model_fields:
            try:
                values[key] = base64.b64decode(value, validate=True).decode()
            except (binascii.Error, UnicodeDecodeError) as error:
                raise Refused(f"Upload-Metadata: the value of {key} is not base64.") from error
    try:
        return UploadMetadata.model_validate(values)
    except ValidationError as error:
        key = ".".join(map(str, error.errors()[0]["loc"]))
        raise Refused(f"Upload-Metadata: {key}: {error.errors()[0]['msg']}.") from error
