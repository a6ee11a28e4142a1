"""The process that touches what people sent: `python -m service.child`, started by `limits.run`.

It reads one JSON line (what to call, with what), calls it, and tells progress and result as JSON
lines. When its input ends, whoever started it is gone, and it ends with all its own children.
"""

import ctypes
import importlib
import json
import os
import resource
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from typing import Any

from analysis.errors import MatlineError

Tell = Callable[[str, float], None]
_NEW_USER_AND_NETWORK = 0x10000000 | 0x40000000  # CLONE_NEWUSER | CLONE_NEWNET
_CAPABILITIES_V3 = 0x20080522  # _LINUX_CAPABILITY_VERSION_3
_NICE = 10  # pages come first


def resolve(name: str) -> Callable[..., Any]:
    """The function named `module:function`."""
    module, _, function = name.partition(":")
    return getattr(importlib.import_module(module), function)  # type: ignore[no-any-return]


def main() -> None:
    """Carry out one order."""
    out = _own_output()
    order = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _restrict(order["address_space"])

    def send(message: dict[str, Any]) -> None:
        os.write(out, json.dumps(message).encode() + b"\n")

    try:
        call = resolve(order["target"])
        result = call(lambda stage, share: send({"stage": stage, "progress": share}), **order["arguments"])
        send({"result": result})
    except MatlineError as error:
        send({"refused": str(error)})
    except MemoryError:
        send({"refused": "It needs more memory than allowed. Send a smaller clip."})
    except Exception:
        send({"crash": traceback.format_exc(limit=20)})


def _own_output() -> int:
    """A descriptor for our lines; libraries that print get the error output instead."""
    ours = os.dup(1)
    os.dup2(2, 1)
    return ours


def _end_with_parent() -> None:
    # Unbuffered: a buffered read would hold a lock that the interpreter wants at its end.
    while os.read(0, 1024):
        pass
    os.killpg(os.getpgrp(), signal.SIGKILL)


def _restrict(address_space: int) -> None:
    os.nice(_NICE)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # a core file would hold pictures
    if address_space:
        resource.setrlimit(resource.RLIMIT_AS, (address_space, address_space))
    if sys.platform == "linux":
        # A network of its own, with nothing in it; where the system does not allow that, go on without.
        libc = ctypes.CDLL(None, use_errno=True)
        libc.unshare(_NEW_USER_AND_NETWORK)
        # That made us master of what is new. As no master our children may open our files.
        libc.capset((ctypes.c_uint32 * 2)(_CAPABILITIES_V3, 0), (ctypes.c_uint32 * 6)())


if __name__ == "__main__":
    main()
