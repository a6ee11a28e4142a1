"""Settings of the service, each from an environment variable `MATLINE_<NAME>`; none is needed to start."""

import os
import sys
from functools import cached_property
from pathlib import Path
from urllib.parse import urlsplit

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict

MIB = 1024 * 1024
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


def _user_data() -> Path:
    """Folder for a program's data of this user, as the platform has it."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData/Local")) / "matline"
    if sys.platform == "darwin":
        return Path.home() / "Library/Application Support/matline"
    return Path(os.environ.get("XDG_DATA_HOME", Path.home() / ".local/share")) / "matline"


class Settings(BaseSettings):
    """Everything that can be set; the defaults run on one machine with SQLite and local files."""

    model_config = SettingsConfigDict(env_prefix="MATLINE_", frozen=True)

    # Where things are
    data_dir: Path = Field(default_factory=_user_data, description="files, database and unfinished uploads")
    database_url: str = Field(default="", description="postgresql+psycopg://...; empty: SQLite in data_dir")
    files_url: str = Field(default="", description="s3://bucket/prefix; empty: a folder in data_dir")
    s3_endpoint: str = Field(default="", description="address of an S3-compatible store, where not AWS")
    s3_access_key: SecretStr = SecretStr("")
    s3_secret_key: SecretStr = SecretStr("")
    s3_region: str = "us-east-1"

    # Who may reach it
    host: str = "127.0.0.1"
    port: int = Field(default=8000, ge=1, le=65535)
    public_url: str = Field(default="", description="address in the browser, where not loopback")
    proxies: str = Field(
        default="127.0.0.1", description="addresses of proxies, whose word on who asks is believed"
    )
    requests_per_minute: int = Field(default=600, ge=1, description="of one person or one address")
    sign_ins_per_minute: int = Field(default=20, ge=1, description="of one address")
    failures_before_wait: int = Field(
        default=10, ge=1, description="wrong passwords of one account in 15 min"
    )
    idle_hours: float = Field(default=12.0, gt=0, description="an unused session in the browser ends")
    signed_in_days: float = Field(default=30.0, gt=0, description="any session in the browser ends")
    invitation_days: float = Field(default=7.0, gt=0)
    argon2_memory_kib: int = Field(default=65536, ge=64, description="cost of checking a password")

    # Uploads
    upload_max_bytes: int = Field(default=4096 * MIB, ge=1)
    upload_part_max_bytes: int = Field(default=64 * MIB, ge=1, description="of one request")
    upload_hours: float = Field(default=24.0, gt=0, description="an unfinished upload is dropped")
    open_uploads: int = Field(default=5, ge=1, description="unfinished ones of one person")
    quota_bytes: int = Field(default=20 * 1024 * MIB, ge=1, description="clips of one client")
    clip_max_s: float = Field(default=3600.0, gt=0)

    # Measuring
    workers: int = Field(default=1, ge=0, description="clips measured at once by one process; 0: none")
    measure: str = Field(default="service.measure:measure", description="module:function that measures")
    part_seconds: float = Field(
        default=180.0, gt=0, description="longer clips are measured in parts about so long, by any worker"
    )
    attempts: int = Field(default=3, ge=1, description="starts of one job before it is given up")
    measure_memory_bytes: int = Field(default=6 * 1024 * MIB, ge=1)
    check_memory_bytes: int = Field(default=2 * 1024 * MIB, ge=1)
    check_seconds: float = Field(default=120.0, gt=0)
    measure_base_seconds: float = Field(default=1200.0, gt=0)
    measure_seconds_per_second: float = Field(default=30.0, gt=0, description="more for each second of clip")
    poll_seconds: float = Field(default=0.5, gt=0, description="how soon a waiting job is noticed")
    takeover_seconds: float = Field(default=2.0, gt=0, description="how often dead workers are looked for")
    sweep_seconds: float = Field(default=600.0, gt=0, description="how often expired things are deleted")

    @cached_property
    def database(self) -> str:
        """Address of the application's database."""
        return self.database_url or f"sqlite:///{self.data_dir / 'matline.db'}"

    @cached_property
    def jobs_database(self) -> str:
        """Address of the job engine's database: its own file, or its own schema in Postgres."""
        if not self.database_url:
            return f"sqlite:///{self.data_dir / 'jobs.db'}"
        return self.database_url.replace("postgresql+psycopg://", "postgresql://", 1)

    @property
    def embedded(self) -> bool:
        """Whether everything is in one folder of one machine."""
        return not self.database_url

    @property
    def on_loopback(self) -> bool:
        """Whether only this machine reaches the service."""
        return self.host in LOOPBACK and not self.public_url

    @property
    def address(self) -> str:
        """Where people open the service in a browser."""
        return self.public_url or f"http://{self.host}:{self.port}"

    @property
    def secure_cookies(self) -> bool:
        """Cookies only over https, where the service is reached that way."""
        return self.public_url.startswith("https://")

    @cached_property
    def allowed_hosts(self) -> frozenset[str]:
        """Host names a request may be for; others may be an attack by a renamed address."""
        public = urlsplit(self.public_url).hostname if self.public_url else None
        return LOOPBACK | ({public} if public else set())

    @property
    def uploads_dir(self) -> Path:
        """Unfinished uploads; of all servers together, so with several it must be shared."""
        return self.data_dir / "uploads"

    @property
    def clips_dir(self) -> Path:
        """Files of clips, where they are kept in a folder."""
        return self.data_dir / "clips"

    @property
    def drafts_dir(self) -> Path:
        """The same files while they are being written; on the same disk, as they are then renamed."""
        return self.clips_dir / ".drafts"

    @property
    def work_dir(self) -> Path:
        """Working copies of clips, each in a room of `scratch`."""
        return self.data_dir / "work"
