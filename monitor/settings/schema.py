"""How the service runs: broker, store, pages, channels, weather, warning; and the shop it runs for."""

import re
from datetime import time
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    IPvAnyAddress,
    SecretStr,
    model_validator,
)
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from monitor.model.declared_shop import DeclaredShop
from monitor.model.section import Identifier, PositiveS, Section
from monitor.model.staff import Role
from monitor.model.warning_times import WarningTimes
from monitor.settings.webhook_key import webhook_key


def _key_holds(secret: SecretStr) -> SecretStr:
    webhook_key(secret.get_secret_value())
    return secret


Key = Annotated[SecretStr, Field(min_length=32)]  # for HMAC-SHA256 as long as its hash (RFC 7518, 3.2)
WebhookSecret = Annotated[SecretStr, AfterValidator(_key_holds)]


class ServiceSection(Section):
    """Where data lies and how often the shop is judged."""

    data_dir: Path = Path("var")
    tick_s: PositiveS = 10.0
    checkpoint_s: PositiveS = 300.0
    derived_every_s: PositiveS = 60.0
    secret_key: Key | None = None  # signs links and forms; made and kept in data_dir if absent
    heartbeat_url: str | None = None
    heartbeat_every_s: PositiveS = 300.0
    digest_at: time | None = time(6, 0)


class MqttSection(Section):
    """The broker and how readings are taken from it."""

    broker: Literal["embedded", "external"] = "embedded"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 1883  # 0: any free port (embedded only)
    protocol: Literal["5", "3.1.1"] = "5"
    port_311: Annotated[int, Field(ge=0, le=65535)] | None = None  # embedded: a second port
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "dryshift"
    username: str | None = None
    password: SecretStr | None = None
    check_username: str | None = (
        None  # the log-in of `dryshift check` and `test-channel`, never the service's
    )
    check_password: SecretStr | None = None
    access_dir: Path | None = None  # the broker's password file, access list and certificates
    sensors_dial: str | None = None  # this machine's name or address as sensors know it
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    topic_root: Annotated[str, Field(pattern=r"^[^+#/][^+#]*[^+#/]$")] = "dryshift"
    extra_topics: tuple[str, ...] = ()
    publish_zones: bool = True  # what is known of each zone, retained
    session_expiry_s: Annotated[int, Field(ge=0)] = 604_800
    receive_maximum: Annotated[int, Field(ge=1, le=65535)] = 2_000
    commit_count: Annotated[int, Field(ge=1, le=100_000)] = 500
    commit_s: Annotated[float, Field(gt=0.0, le=60.0)] = 0.25
    keepalive_s: Annotated[int, Field(ge=5, le=65535)] = 30
    future_tolerance_s: PositiveS = 300.0  # a device time further ahead is not believed
    max_age_s: PositiveS = 2_592_000.0  # nor one further back; the arrival time is used instead

    @model_validator(mode="after")
    def _second_port_has_a_use(self) -> Self:
        if self.port_311 is not None and (self.broker != "embedded" or self.protocol != "5"):
            raise ValueError(
                'port_311 is for broker = "embedded" with protocol = "5"; a broker of its own listens as '
                "its own configuration says; remove it"
            )
        if self.port_311 is not None and self.port_311 == self.port != 0:
            raise ValueError(f"port_311 is {self.port} like port; choose another, such as {self.port + 1}")
        return self


class InfluxSection(Section):
    """A time-series server beside the embedded store; database and policy are always both named."""

    url: str
    token: SecretStr | None = None
    username: str | None = None
    password: SecretStr | None = None
    org: str = "-"
    database: str = "dryshift"
    retention_policy: str = "autogen"
    batch_count: Annotated[int, Field(ge=1, le=50_000)] = 5_000
    timeout_s: PositiveS = 10.0
    acknowledge: Literal["here", "sent"] = "here"  # what the broker is told once it is on this disk, or there


class StoreSection(Section):
    """The series store and the ledger."""

    series: Literal["sqlite", "influxdb"] = "sqlite"
    influxdb: InfluxSection | None = None
    ledger_url: SecretStr | None = None  # SQLAlchemy URL; absent: SQLite in data_dir
    keep_readings_days: Annotated[int, Field(ge=1)] = 400
    keep_minutes_days: Annotated[int, Field(ge=1)] = 800
    keep_hours_days: Annotated[int, Field(ge=1)] = 3_650
    set_aside_max: Annotated[int, Field(ge=1)] = 10_000
    set_aside_max_bytes: Annotated[int, Field(ge=100_000)] = 16_000_000
    backup_dir: Path | None = None
    archive_dir: Path | None = None  # absent: no month leaves the live file
    archive_after_months: Annotated[int, Field(ge=1)] = 3  # whole months that stay in it after their end

    @model_validator(mode="after")
    def _server_keeps_what_is_old(self) -> Self:
        if self.series == "influxdb" and self.archive_dir is not None:
            raise ValueError(
                'archive_dir is for series = "sqlite"; an InfluxDB server keeps what is old itself'
            )
        return self

    @model_validator(mode="after")
    def _influx_is_described(self) -> Self:
        if self.series == "influxdb" and self.influxdb is None:
            raise ValueError('series = "influxdb" needs a [store.influxdb] table with at least its url')
        return self


class WebSection(Section):
    """The pages."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8480
    public_url: str | None = None  # what links in messages start with
    hosts: tuple[str, ...] = ()  # names the pages answer to besides localhost and that of public_url
    proxies: tuple[IPvAnyAddress, ...] = (IPv4Address("127.0.0.1"), IPv6Address("::1"))
    user_header: Annotated[str, Field(pattern=r"^[A-Za-z0-9-]+$")] | None = None  # believed of proxies alone
    log_in: Literal["accounts", "names"] = "accounts"  # "names": a name is believed as it is given
    readers: Literal["people", "network"] = "people"  # who may read, once there is an account
    cookie_mark: Annotated[str, Field(pattern=r"^[a-z0-9-]{0,40}$")] = ""  # of several services on one host
    logged_in_days: Annotated[int, Field(ge=1, le=400)] = 180  # a shop's season
    temperature_unit: Literal["C", "F"] = "C"
    units: Literal["metric", "us"] = "metric"
    language: str = "en"
    clock: Literal["24", "12"] = "24"
    csv_decimal: Literal["point", "comma"] = "point"  # comma: with semicolons between cells
    csv_mark: bool = False  # files begin with UTF-8's mark, which some spreadsheets need

    @property
    def has_accounts(self) -> bool:
        """Whether people log in here themselves."""
        return self.log_in == "accounts" and self.user_header is None

    @property
    def believes_names(self) -> bool:
        """Whether a chosen name is all that says who somebody is."""
        return self.log_in == "names" and self.user_header is None


class Program(Section):
    """Another program that may answer alarms over the JSON interface, for one of the shop's people."""

    id: Identifier
    role: Role = "lead"  # what this allows and the person's own role allows
    token: Key


class RecordSection(Section):
    """The record of the week on paper."""

    paper: Literal["a4", "letter"] = "a4"
    mail_to: tuple[Identifier, ...] = ()  # channels of kind "email"; none: it is not mailed
    mail_on: Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"] = "mon"
    mail_at: time = time(7, 0)


class Calendar(Section):
    """An iCalendar file or address (RFC 5545) that holds a site's shifts."""

    site: Identifier
    source: str


_NUMBER = re.compile(r"\+?[0-9]{3,15}")  # ITU-T E.164: at most fifteen digits


class Channel(Section):
    """A way to reach people: webhook, e-mail, a push service, or a retained MQTT state."""

    id: Identifier
    kind: Literal["webhook", "email", "push", "webpush", "sms", "mqtt"]
    url: str | None = None  # webhook address; smtp:// or smtps:// for e-mail
    push_url: SecretStr | None = None  # address of the general notification library
    secret: WebhookSecret | None = None  # signs webhooks: whsec_ and base64
    username: str | None = None
    password: SecretStr | None = None
    sender: str | None = None
    to: tuple[str, ...] = ()
    starttls: bool = True
    ca_file: Path | None = None
    topic: str | None = None
    gammu_config: Path | None = None  # how gammu reaches the modem
    timeout_s: PositiveS = 10.0
    fallback: Identifier | None = None

    @model_validator(mode="after")
    def _has_what_its_kind_needs(self) -> Self:
        needs = {
            "webhook": ["url"],
            "email": ["url", "sender", "to"],
            "push": ["push_url"],
            "webpush": ["sender"],
            "sms": ["to", "gammu_config"],
            "mqtt": [],
        }
        missing = [name for name in needs[self.kind] if not getattr(self, name)]
        if missing:
            raise ValueError(f"a channel of kind {self.kind} needs {', '.join(missing)}")
        schemes = {"webhook": ("http://", "https://"), "email": ("smtp://", "smtps://")}.get(self.kind)
        if schemes is not None and not str(self.url).startswith(schemes):
            raise ValueError(f"url {self.url} of a {self.kind} begins with {' or '.join(schemes)}")
        strange = [one for one in self.to if self.kind == "sms" and not _NUMBER.fullmatch(one)]
        if strange:
            raise ValueError(f"to has {strange[0]}, which is no telephone number: write +44…, digits alone")
        if self.kind == "webpush" and not str(self.sender).startswith(("mailto:", "https://")):
            raise ValueError(f"sender {self.sender} of a webpush begins with mailto: or https://")
        return self


class Weather(Section):
    """Where the outdoor forecast comes from."""

    site: Identifier
    provider: Identifier = "none"
    contact: str | None = None
    every_s: PositiveS = 3_600.0
    outdoor_zone: Identifier | None = None


class Settings(DeclaredShop, BaseSettings):
    """The whole of a shop's settings: the shop as declared, and how the service runs."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix="DRYSHIFT_", env_nested_delimiter="__"
    )

    service: ServiceSection = ServiceSection()
    mqtt: MqttSection = MqttSection()
    store: StoreSection = StoreSection()
    web: WebSection = WebSection()
    record: RecordSection = RecordSection()
    warning: WarningTimes = WarningTimes()
    calendars: tuple[Calendar, ...] = ()
    channels: tuple[Channel, ...] = ()
    programs: tuple[Program, ...] = ()
    weather: tuple[Weather, ...] = ()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment over the settings file, which arrives as the initial values."""
        return env_settings, init_settings
