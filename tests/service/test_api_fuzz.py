"""The API fuzzed from its own description: no answer is a fault of ours, and every answer is as described."""

import zlib
from typing import Any

import hypothesis
import pytest
import schemathesis
from desk import ORIGIN, Desk, announce
from schemathesis import Case
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
# These would end the session, the account, or the only practice under test.
ENDING = ["/api/me/delete", "/api/me/password", "/api/sign-out"]


@pytest.fixture(scope="module")
def ready(module_desk: Desk, clip_bytes: bytes) -> Desk:
    """A practice with one of everything, so that the fuzzing gets past 404."""
    client = module_desk.client("Cleo")
    item = module_desk.owner.ok(
        "post", f"/clients/{client.id}/programme", json={"exercise": "toe_tap", "days": [1]}
    )
    session = module_desk.session_of(client)
    module_desk.send_clip(client, clip_bytes, session=session)
    clip = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    module_desk.wait(client, clip)
    upload = announce(client, 50, exercise="toe_tap", session=session).json()["id"]
    ids = {"client_id": client.id, "clip_id": clip, "session_id": session, "item_id": item["id"]}
    module_desk.app.state.ids = ids | {"upload_id": upload, "finding": "r1.pelvis_tilted.0"}
    module_desk.app.state.client = client
    return module_desk


def running(desk: Desk) -> Any:
    """The application as it runs already: not started anew, and asked for by the name it is served at."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            for part in ("startup", "shutdown"):
                await receive()
                await send({"type": f"lifespan.{part}.complete"})
            return
        others = [pair for pair in scope["headers"] if pair[0] != b"host"]
        await desk.app(scope | {"headers": [*others, (b"host", b"127.0.0.1")]}, receive, send)

    return app


def fuzz(desk: Desk, cookies: dict[str, str], examples: int, only: str = "") -> None:
    """Ask every operation many ways; all failures are told together."""
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", running(desk)).exclude(path=ENDING)
    failed = []
    for operation in (schema.include(path_regex=only) if only else schema).get_all_operations():
        try:
            ask(operation.ok(), desk, cookies, examples)
        except (Exception, BaseExceptionGroup) as error:
            failed.append(f"{operation.ok().label}: {describe(error)}")
    assert not failed, "\n\n".join(failed)


def describe(error: BaseException) -> str:
    """The innermost failures in a line each."""
    inner = getattr(error, "exceptions", ())
    return "; ".join(map(describe, inner)) if inner else f"{type(error).__name__} {error}"


def ask(operation: Any, desk: Desk, cookies: dict[str, str], examples: int) -> None:
    @hypothesis.settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    @hypothesis.given(case=operation.as_strategy())
    def run(case: Case) -> None:
        check(case, desk, cookies)

    run()


def test_as_coach(ready: Desk) -> None:
    fuzz(ready, dict(ready.owner.http.cookies), 6)


def test_as_client(ready: Desk) -> None:
    cookies = dict(ready.app.state.client.http.cookies)
    fuzz(ready, cookies, 6, "clips|sessions|consents|uploads|staff")


def check(case: Case, desk: Desk, cookies: dict[str, str]) -> None:
    """Every other example names real things, so that what lies behind them is reached."""
    known = desk.app.state.ids
    if zlib.crc32(str(case.path_parameters).encode()) % 2:
        for name in case.path_parameters or {}:
            case.path_parameters[name] = known.get(name, case.path_parameters[name])
    if case.method == "DELETE" and case.path.startswith(("/api/practice/people", "/api/clips/{clip_id}")):
        case.path_parameters = dict.fromkeys(case.path_parameters, "0" * 32)
    answer = case.call(cookies=cookies, headers=ORIGIN)
    case.validate_response(answer, checks=CHECKS)
