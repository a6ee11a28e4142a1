"""What every request needs, opened once for the whole process."""

import os
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property

from service.files import Files
from service.queue import Queue
from service.retention import Sweeper
from service.secret import Passwords, new_token
from service.settings import Settings
from service.store.session import Store
from service.worker import Worker


@dataclass
class Services:
    """Store, files, queue and passwords of one process; `open` and `close` go together."""

    settings: Settings
    store: Store
    files: Files
    queue: Queue
    passwords: Passwords
    sweeper: Sweeper
    closing: threading.Event = field(default_factory=threading.Event)  # ends open streams
    touching: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def open(cls, settings: Settings) -> "Services":
        """Migrate the store, open everything, and start to measure where `workers` is not 0."""
        store = Store(settings)
        store.migrate()
        files, queue = Files(settings), Queue(store)
        services = cls(
            settings,
            store,
            files,
            queue,
            Passwords(settings.argon2_memory_kib),
            Sweeper(store, files, queue),
        )
        if settings.workers:
            queue.serve(Worker(store, files, queue).work)
        services.sweeper.start()
        return services

    @cached_property
    def setup_code(self) -> str:
        """Asked for at the first set-up where others than this machine reach the service; made when read."""
        return _setup_code(self.settings)

    def close(self) -> None:
        """Stop measuring (jobs in hand are left for the next start) and close the database."""
        self.closing.set()
        self.sweeper.stop()
        self.queue.stop()
        self.store.close()


def _setup_code(settings: Settings) -> str:
    """The code of the first set-up; in a file of the data folder, which all servers of one practice share."""
    path, draft = settings.data_dir / "setup-code", settings.data_dir / f"setup-code-{new_token()[:12]}"
    with open(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as file:
        file.write(new_token()[:12])
    with suppress(FileExistsError):
        os.link(draft, path)  # whole, or not at all: nobody reads an empty code
    draft.unlink()
    return path.read_text()
