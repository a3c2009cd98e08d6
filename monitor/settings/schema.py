"""What the shop is: sites, zones, sensors, bodies, packages, shifts, limits, channels."""

from datetime import date, time
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    Field,
    SecretStr,
    field_validator,
    model_validator,
)
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from monitor.model.reading import MEASURED, Quantity
from monitor.settings.things import (
    Cylinder,
    Fraction,
    Identifier,
    Package,
    Plate,
    PositiveS,
    Section,
    ShopRules,
)

__all__ = ["Cylinder", "Package", "Plate", "Settings", "ShopRules"]


class Unit(StrEnum):
    """Units a sensor may report in; converted to the inside unit when decoded."""

    CELSIUS = "Cel"
    FAHRENHEIT = "degF"
    KELVIN = "K"
    PERCENT_RH = "%RH"
    PERCENT = "%"
    FRACTION = "/"
    PASCAL = "Pa"
    HECTOPASCAL = "hPa"
    KILOPASCAL = "kPa"


class ServiceSection(Section):
    """Where data lies and how often the shop is judged."""

    data_dir: Path = Path("var")
    tick_s: PositiveS = 10.0
    checkpoint_s: PositiveS = 300.0
    derived_every_s: PositiveS = 60.0
    secret_key: SecretStr | None = None  # signs links and webhooks; made and kept in data_dir if absent
    heartbeat_url: str | None = None
    heartbeat_every_s: PositiveS = 300.0
    digest_at: time | None = time(6, 0)


class MqttSection(Section):
    """The broker and how readings are taken from it."""

    broker: Literal["embedded", "external"] = "embedded"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 1883  # 0: any free port (embedded only)
    protocol: Literal["5", "3.1.1"] = "5"
    port_311: Annotated[int, Field(ge=0, le=65535)] | None = None  # embedded, protocol 5: one for 3.1.1 too
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "dryshift"
    username: str | None = None
    password: SecretStr | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    topic_root: Annotated[str, Field(pattern=r"^[^+#/][^+#]*[^+#/]$")] = "dryshift"
    extra_topics: tuple[str, ...] = ()
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


class StoreSection(Section):
    """The series store and the ledger."""

    series: Literal["sqlite", "influxdb"] = "sqlite"
    influxdb: InfluxSection | None = None
    ledger_url: SecretStr | None = None  # SQLAlchemy URL; absent: SQLite in data_dir
    keep_readings_days: Annotated[int, Field(ge=1)] = 400
    keep_minutes_days: Annotated[int, Field(ge=1)] = 800
    keep_hours_days: Annotated[int, Field(ge=1)] = 3_650
    set_aside_max: Annotated[int, Field(ge=1)] = 10_000
    backup_dir: Path | None = None

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
    hosts: tuple[str, ...] = ()  # names the pages answer to; none: any
    temperature_unit: Literal["C", "F"] = "C"
    units: Literal["metric", "us"] = "metric"
    language: str = "en"


class Site(Section):
    """One yard or works."""

    id: Identifier
    name: str
    timezone: str = "UTC"
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    altitude_m: Annotated[float, Field(ge=-430, le=5000)] = 0.0

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError("is not an IANA time zone; write one like Europe/London")
        return value

    @property
    def tz(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.timezone)


class Zone(Section):
    """One body of air with its own sensor."""

    id: Identifier
    site: Identifier
    name: str
    kind: Literal["bay", "hall", "store", "cage", "yard", "cabinet", "oven", "quiver", "outdoor"] = "hall"
    in_use: bool = True
    draught_ms: Annotated[float, Field(ge=0, le=20)] = 0.1
    max_relative_humidity_frac: Fraction | None = None
    max_dew_point_c: Annotated[float, Field(ge=-60, le=40)] | None = None
    min_temperature_c: Annotated[float, Field(ge=-60, le=500)] | None = None  # ovens, quivers
    stands_in: Identifier | None = None  # of a quiver: the zone whose air it holds while it is off
    heat_up_to_c: Annotated[float, Field(ge=0, le=40)] | None = None  # what its dry heater holds
    dry_down_to_frac: Fraction | None = None  # what its dehumidifier holds
    roof: Literal["closed", "open", "none"] | None = None  # absent: by the kind
    sky_view_frac: Fraction | None = None  # of an open sky that is seen; absent: by the roof
    desiccant_days: Annotated[float, Field(gt=0, le=3650)] | None = None  # how long its desiccant lasts


WORST_HUMIDITY_FRAC = 0.2  # a sensor worse than ±20 %RH decides nothing; it was written in percent


class Measure(Section):
    """One quantity a sensor reports, and how to find and trust it."""

    quantity: Quantity
    unit: Unit
    accuracy: Annotated[float, Field(gt=0)] | None = None  # ± in inside units, maker's figure
    offset: float = 0.0  # added after conversion, inside units
    gain: Annotated[float, Field(gt=0)] = 1.0
    pointer: str | None = None  # RFC 6901, for foreign JSON
    name: str | None = None  # SenML record name
    min: float | None = None  # inside units; outside is a failure
    max: float | None = None
    max_rate_per_min: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _humidity_is_a_fraction(self) -> Self:
        if self.quantity is Quantity.RELATIVE_HUMIDITY and (self.accuracy or 0.0) > WORST_HUMIDITY_FRAC:
            raise ValueError(
                f"accuracy {self.accuracy:g} of a humidity is a fraction here; write 0.02 for 2 %RH, "
                f"at most {WORST_HUMIDITY_FRAC:g}"
            )
        return self

    @field_validator("quantity")
    @classmethod
    def _is_measured(cls, value: Quantity) -> Quantity:
        if value not in MEASURED:
            raise ValueError(f"is derived, not measured; use one of {', '.join(sorted(MEASURED))}")
        return value


class Sensor(Section):
    """One device on a wall (or on a body's skin)."""

    id: Identifier
    zone: Identifier
    topic: str | None = None  # absent: {root}/{site}/{zone}/{id}
    format: Literal["own", "senml", "json", "number"] = "own"
    time_pointer: str | None = None  # RFC 6901, foreign JSON; absent: arrival time
    body: Identifier | None = None  # the cylinder or plate a surface probe sits on
    interval_s: PositiveS = 30.0
    stale_after_s: PositiveS = 300.0
    stuck_after_s: PositiveS = 21_600.0
    shared_device: bool = True  # temperature and humidity share one device (their errors correlate)
    calibrated_on: date | None = None
    calibration_days: Annotated[int, Field(ge=1)] = 365
    measures: Annotated[tuple[Measure, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _one_lost_message_is_no_silence(self) -> Self:
        if self.stale_after_s < 2.0 * self.interval_s:
            raise ValueError(
                f"stale_after_s of {self.stale_after_s:g} s is less than two intervals: one lost message "
                "would count as silence; raise it, or correct interval_s"
            )
        return self


Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Shift(Section):
    """A weekly shift in the site's own time; an end before the start runs past midnight."""

    site: Identifier
    name: str
    days: Annotated[tuple[Weekday, ...], Field(min_length=1)]
    start: time
    end: time


class Calendar(Section):
    """An iCalendar file or address (RFC 5545) that holds a site's shifts."""

    site: Identifier
    source: str


class Person(Section):
    """Somebody who can be told."""

    id: Identifier
    name: str
    role: Literal["lead", "inspector", "reviewer", "engineer"] = "lead"
    channels: tuple[Identifier, ...] = ()
    quiet_from: time | None = None
    quiet_to: time | None = None


class OnCall(Section):
    """Who is told, in which order and after how long, for one site."""

    site: Identifier
    steps: Annotated[tuple[Identifier, ...], Field(min_length=1)]  # person ids, first told first
    by_shift: dict[str, Identifier] = Field(default_factory=dict)  # shift's name: told first while it runs
    escalate_after_s: PositiveS = 900.0


class Channel(Section):
    """A way to reach people: webhook, e-mail, a push service, or a retained MQTT state."""

    id: Identifier
    kind: Literal["webhook", "email", "push", "mqtt"]
    url: str | None = None  # webhook address; smtp:// or smtps:// for e-mail
    push_url: SecretStr | None = None  # address of the general notification library
    secret: SecretStr | None = None  # webhook signature
    username: str | None = None
    password: SecretStr | None = None
    sender: str | None = None
    to: tuple[str, ...] = ()
    starttls: bool = True
    ca_file: Path | None = None
    topic: str | None = None
    timeout_s: PositiveS = 10.0
    fallback: Identifier | None = None

    @model_validator(mode="after")
    def _has_what_its_kind_needs(self) -> Self:
        needs = {"webhook": ["url"], "email": ["url", "sender", "to"], "push": ["push_url"], "mqtt": []}
        missing = [name for name in needs[self.kind] if not getattr(self, name)]
        if missing:
            raise ValueError(f"a channel of kind {self.kind} needs {', '.join(missing)}")
        schemes = {"webhook": ("http://", "https://"), "email": ("smtp://", "smtps://")}.get(self.kind)
        if schemes is not None and not str(self.url).startswith(schemes):
            raise ValueError(f"url {self.url} of a {self.kind} begins with {' or '.join(schemes)}")
        return self


class Weather(Section):
    """Where the outdoor forecast comes from."""

    site: Identifier
    provider: Identifier = "none"
    contact: str | None = None
    every_s: PositiveS = 3_600.0
    outdoor_zone: Identifier | None = None


class LimitsSection(Section):
    """Planning limits of the shop; the governing code is never loosened by them."""

    margin_caution_k: Annotated[float, Field(gt=0, le=15)] = 3.0
    margin_dead_band_k: Annotated[float, Field(ge=0, le=5)] = 0.5
    humidity_caution_frac: Fraction = 0.70
    humidity_dead_band_frac: Annotated[float, Field(ge=0, le=0.3)] = 0.03
    on_delay_s: Annotated[float, Field(ge=0)] = 300.0
    off_delay_s: Annotated[float, Field(ge=0)] = 600.0
    exposure_due_frac: Annotated[float, Field(gt=0, le=1)] = 0.8
    check_speaks_s: PositiveS = 43_200.0  # how long a person's reading of an oven stands where no sensor does


class WarningSection(Section):
    """When the warning of a humid shift ahead may reach a phone."""

    not_before: time = time(6, 0)
    not_after: time = time(21, 0)
    min_lead_s: PositiveS = 4 * 3600.0
    horizon_s: PositiveS = 48 * 3600.0
    # Measured: over a year at three airports, told 8 h ahead or more, 0.2 finds 95 % of the humid shifts.
    probability: Annotated[float, Field(gt=0, lt=1)] = 0.2
    look_every_s: Annotated[float, Field(ge=600)] = 3_600.0

    @model_validator(mode="after")
    def _hours_are_in_order(self) -> Self:
        if self.not_before >= self.not_after:
            raise ValueError(
                f"not_after {self.not_after:%H:%M} is not after not_before {self.not_before:%H:%M}: nobody "
                "would ever be warned; write the hours of a day in order, such as 06:00:00 and 21:00:00"
            )
        return self


class Settings(BaseSettings):
    """The whole of a shop's settings."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix="DRYSHIFT_", env_nested_delimiter="__"
    )

    service: ServiceSection = ServiceSection()
    mqtt: MqttSection = MqttSection()
    store: StoreSection = StoreSection()
    web: WebSection = WebSection()
    limits: LimitsSection = LimitsSection()
    warning: WarningSection = WarningSection()
    sites: Annotated[tuple[Site, ...], Field(min_length=1)]
    zones: Annotated[tuple[Zone, ...], Field(min_length=1)]
    sensors: tuple[Sensor, ...] = ()
    cylinders: tuple[Cylinder, ...] = ()
    plates: tuple[Plate, ...] = ()
    packages: tuple[Package, ...] = ()
    shop_rules: tuple[ShopRules, ...] = ()
    shifts: tuple[Shift, ...] = ()
    calendars: tuple[Calendar, ...] = ()
    people: tuple[Person, ...] = ()
    on_call: tuple[OnCall, ...] = ()
    channels: tuple[Channel, ...] = ()
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
