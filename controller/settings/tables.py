"""The tables a config file may hold: every key, its type and range, and what it is for.

Only what one key can be judged by stands here; what ties two keys or two tables together is in `checks`. The
sentence under a key is its description in the JSON schema. Units are in the names.
"""

import datetime as dt
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag


class Says:
    """What a key takes, in plain words, where type and range do not say it well."""

    def __init__(self, words: str) -> None:
        self.words = words


class Table(BaseModel):
    """A table: unknown keys refused, nothing converted, no infinity, no change afterwards."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
        validate_default=True,
    )


Id = Annotated[
    str,
    Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$"),
    Says("a short name of small letters a-z, digits and hyphens, in quotes"),
]
Label = Annotated[
    str,
    Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"),
    Says("a name of 1 to 80 characters on one line, in quotes"),
]
File = Annotated[
    str,
    Field(min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f]*$"),
    Says("the path of a file, in quotes"),
]
Topic = Annotated[
    str,
    Field(pattern=r"^[^+#$\x00-\x1f\x7f-\x9f][^+#\x00-\x1f\x7f-\x9f]{0,299}$"),
    Says("one MQTT topic in quotes, without the wildcards + and #"),
]
Pointer = Annotated[
    str,
    Field(max_length=300, pattern=r"^(/([^~\x00-\x1f]|~[01])*)?$"),
    Says('an RFC 6901 pointer in quotes, as "/soil/moisture"'),
]
Pin = Annotated[
    int, Field(ge=0, le=27), Says("a GPIO number from 0 to 27 (not the position on the header)")
]
Minutes = Annotated[float, Field(ge=0.05, le=1440)]
Content = Annotated[float, Field(ge=0.01, le=0.95)]
"""Volumetric water content, m3/m3."""


class SiteTable(Table):
    """The place."""

    id: Id
    """Name of the site in MQTT topics."""
    name: Label
    """Name of the site for people."""
    latitude: Annotated[float, Field(ge=-90, le=90)]
    """Degrees north; south of the equator negative."""
    longitude: Annotated[float, Field(ge=-180, le=180)]
    """Degrees east; west of Greenwich negative."""
    elevation_m: Annotated[float, Field(ge=-450, le=6000)]
    """Height above the sea, m; a wrong one spoils forecast and evapotranspiration, and nobody notices."""
    timezone: Annotated[
        str, Field(max_length=80), Says('a name of the IANA list in quotes, as "Europe/Lisbon"')
    ]
    """Time zone of the civil day."""
    language: Literal["en", "pt"] = "en"
    """Language in which jobs and the digest are told."""


class TlsTable(Table):
    """Certificates for an encrypted connection to the broker."""

    ca_file: File | None = None
    """Certificate of the authority that signed the broker's; absent: the system's list."""
    cert_file: File | None = None
    """Certificate of this daemon, if the broker asks for one."""
    key_file: File | None = None
    """Private key of that certificate."""


class MqttTable(Table):
    """The broker."""

    host: Annotated[
        str, Field(min_length=1, max_length=253, pattern=r"^\S+$"), Says("a host name in quotes")
    ] = "localhost"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """TCP port; absent: 1883, or 8883 with tls."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version. 3.1.1 only for a broker that knows no better: it cannot tell a kept ask from a new one."""
    username: Label | None = None
    """Name to log in with; absent: no login."""
    password_file: File | None = None
    """File that holds the password and nothing else; absent: mqtt-password in $CREDENTIALS_DIRECTORY."""
    tls: TlsTable | None = None
    """Give it, even empty, to encrypt."""

    @property
    def tcp_port(self) -> int:
        """The port given, else the usual one."""
        return self.port or (1883 if self.tls is None else 8883)


class ForecastTable(Table):
    """Where the weather forecast comes from."""

    source: Literal["open-meteo", "none"] = "open-meteo"
    """Forecast service, or "none"."""
    url: Annotated[
        str, Field(pattern=r"^https?://[^\s]+$", max_length=500), Says("an http or https address in quotes")
    ] = "https://api.open-meteo.com/v1/forecast"
    """Address of the service."""
    every_h: Annotated[float, Field(ge=1, le=24)] = 6.0
    """Hours between two questions."""


class JournalTable(Table):
    """Where the journal is kept."""

    path: File = "/var/lib/seepward/journal.sqlite"
    """The SQLite file."""


Litres = Annotated[float, Field(ge=1, le=1_000_000)]


class GuardTable(Table):
    """The safety layer: its limits hold whatever the planner wants."""

    runtime_dir: File = "/run/seepward"
    """Directory of the guard's lock and socket."""
    silence_s: Annotated[float, Field(ge=0.2, le=10)] = 1.0
    """Everything closes when the daemon has not been heard for so long."""
    longest_open_min: Minutes = 30.0
    """Longest single opening of a valve, for zones that do not say."""
    most_open_min_24h: Minutes = 240.0
    """Most opening within any 24 hours, for zones that do not say."""
    site_open_min_24h: Annotated[float, Field(ge=1, le=100_000)] | None = None
    """Most minutes of opening of all zones together within any 24 hours; absent: what the zones may have."""
    site_litres_24h: Litres | None = None
    """Most litres of all zones together within any 24 hours; absent: what the zones may have."""
    leak_l_min: Annotated[float, Field(ge=0.01, le=100)] = 0.2
    """Flow with every valve closed from which it is a leak and not a drip, L/min; needs a flow meter."""
    never_together: Annotated[
        tuple[tuple[str, str], ...], Says('pairs of ids of zones in a list, as [["east", "west"]]')
    ] = ()
    """Pairs of zones whose valves may never be open together."""


class PinsTable(Table):
    """What drives the pins."""

    driver: Annotated[
        str,
        Field(pattern=r"^(lgpio|[A-Za-z_][\w.]*:[A-Za-z_]\w*)$", max_length=200),
        Says('"lgpio", or "module:function" for a driver of your own'),
    ] = "lgpio"
    """The Pi's own pins, or a function that opens others."""


class HeatTable(Table):
    """What counts as hot here: daily maxima, degC."""

    hot_day_c: Annotated[float, Field(ge=20, le=55)] = 37.0
    """From here a day is hot."""
    mild_day_c: Annotated[float, Field(ge=0, le=45)] = 26.0
    """Up to here a day is mild."""
    days_before: Annotated[int, Field(ge=0, le=7)] = 2
    """Days before a hot spell on which the zones are filled."""
    hot_night_c: Annotated[float, Field(ge=10, le=40)] = 21.0
    """From this minimum a night is hot."""
    ehf: bool = True
    """Also judge a spell by the Excess Heat Factor, against the climate of the place."""
    t95_c: Annotated[float, Field(ge=0, le=45)] | None = None
    """95th percentile of the daily mean temperature over all days of some thirty years; absent: learnt."""
    ehf85_c2: Annotated[float, Field(ge=0.1, le=1000)] | None = None
    """85th percentile of the positive Excess Heat Factors of those years, degC squared; absent: learnt."""


class WindowTable(Table):
    """A daily window of local time; across midnight if it ends earlier than it begins."""

    start: Annotated[
        dt.time, Field(alias="from"), Says("a local time with seconds and without quotes, as 20:00:00")
    ]
    """It begins at this time."""
    until: Annotated[dt.time, Says("a local time with seconds and without quotes, as 09:00:00")]
    """It ends at this time."""


MonthDay = Annotated[
    str,
    Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"),
    Says('month and day in quotes, as "05-15"'),
]


class SeasonTable(Table):
    """A part of every year, its first and last day in it; across the new year if it ends earlier than it begins."""

    start: Annotated[MonthDay, Field(alias="from")]
    """Its first day."""
    until: MonthDay
    """Its last day."""


def _form(value: object) -> str:
    """Which of two forms a value has; the names are no keys of any table, so they can be told from keys."""
    return "as a table" if isinstance(value, dict | Table) else "by name"


class WateringTable(Table):
    """The rules of the house for when water runs."""

    dawn_margin_min: Annotated[float, Field(ge=0, le=180)] = 20.0
    """The dawn soak ends so long before sunrise."""
    dusk_delay_min: Annotated[float, Field(ge=0, le=180)] = 15.0
    """The dusk refresh begins so long after sunset."""
    dawn_earliest_h: Annotated[float, Field(ge=0.5, le=12)] = 6.0
    """The dawn soak begins no earlier than so many hours before sunrise."""
    least_depth_mm: Annotated[float, Field(ge=0.1, le=10)] = 1.0
    """A watering smaller than this waits."""
    rain_sure: Annotated[float, Field(ge=0.01, le=1)] = 0.7
    """Probability from which forecast rain counts."""
    allowed: tuple[WindowTable, ...] = ()
    """Windows in which water may run; none: at any hour."""
    season: (
        Annotated[
            Annotated[Literal["on", "off"], Tag("by name")] | Annotated[SeasonTable, Tag("as a table")],
            Discriminator(_form),
        ]
    ) = "on"
    """Watered by plan on, all year, or between two days of every year, or off: then only by hand."""


Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
Exempt = Literal["drip", "weeper hose", "by hand", "food plants", "newly planted", "pots"]


class RuleTable(Table):
    """A rule of the town or the water company for when water may run. It names the times that are in all of its days,
    dates and hours at once; what it leaves out names any time."""

    name: Label
    """What people call it, as "the Wednesday ban"; plans and refusals speak of it by this."""
    water: Literal["forbidden", "only then"]
    """Is water forbidden at the times that the rule names, or allowed only then?"""
    season: SeasonTable | None = None
    """Part of the year in which it holds; absent: all year."""
    weekdays: Annotated[
        tuple[Weekday, ...], Says('days of the week in a list, as ["monday", "thursday"]')
    ] = ()
    """Days of the week."""
    odd_even: Literal["odd", "even"] | None = None
    """Days of the month with an odd or an even number; towns tie that to the number of the house."""
    days_of_month: Annotated[
        tuple[Annotated[int, Field(ge=1, le=31)], ...],
        Says("days of the month in a list of whole numbers from 1 to 31, as [1, 15]"),
    ] = ()
    """Days of the month, one by one."""
    dates: Annotated[
        tuple[dt.date, ...], Says("dates in a list without quotes, as [2026-07-14, 2026-07-15]")
    ] = ()
    """Single days."""
    every_days: Annotated[int, Field(ge=2, le=60)] | None = None
    """Every so many days, counted from `counted_from`."""
    counted_from: Annotated[dt.date, Says("a date without quotes, as 2026-05-01")] | None = None
    """A day that is one of them."""
    hours: tuple[WindowTable, ...] = ()
    """Hours of these days; none: the whole day."""
    night_belongs_to: Literal["its own day", "the evening before"] = "its own day"
    """Hours past midnight count by the day they are in, or by the day on whose evening they begin."""
    zones: Annotated[tuple[str, ...], Says('ids of zones in a list, as ["lawn", "hedge"]')] = ()
    """Zones that the rule is for; none: all."""
    exempt: Annotated[
        tuple[Exempt, ...],
        Says('a list of "drip", "weeper hose", "by hand", "food plants", "newly planted", "pots"'),
    ] = ()
    """What the rule leaves out. by hand: waterings that somebody asks for; newly planted: tender zones."""
    in_force: bool = True
    """False keeps it here without effect, as a drought stage that has not been called."""


class StepTable(Table):
    """A step of the tariff."""

    up_to_m3: Annotated[float, Field(ge=0.1, le=100_000)] | None = None
    """Up to so many m3 in a month; absent, in the last step alone: without end."""
    price_m3: Annotated[float, Field(ge=0.001, le=1000)]
    """Price of 1 m3."""


class BudgetTable(Table):
    """The most water of a day, a week or a month."""

    name: Label
    """What people call it, as "the week's ration"; plans and refusals speak of it by this."""
    per: Literal["day", "week", "month"]
    """By the calendar; a week begins on Monday."""
    litres: Annotated[float, Field(ge=1, le=1e7)] | None = None
    """Litres, or"""
    money: Annotated[float, Field(ge=0.01, le=1e6)] | None = None
    """money, in the currency of the tariff."""
    tariff: tuple[StepTable, ...] = ()
    """Steps of the price by the month's consumption, for a budget in money."""
    house_m3: Annotated[float, Field(ge=0, le=100_000)] = 0.0
    """What the house takes in a month, m3; it comes first, so that the garden pays the dearer end."""
    zones: Annotated[tuple[str, ...], Says('ids of zones in a list, as ["lawn", "hedge"]')] = ()
    """Zones whose water it counts; none: all."""


class NormalTable(Table):
    """What a month is usually like, for days without a forecast."""

    month: Annotated[int, Field(ge=1, le=12)]
    """1 is January."""
    tmax_c: Annotated[float, Field(ge=-60, le=60)]
    """Mean daily maximum, degC."""
    tmin_c: Annotated[float, Field(ge=-60, le=60)]
    """Mean daily minimum, degC."""


class JobsTable(Table):
    """What the jobs for hands go by."""

    call_chance: Annotated[float, Field(ge=0.01, le=0.9)] = 0.125
    """Chance of a hot day, today or within two days, from which shade is asked for."""
    thin_mulch_cm: Annotated[float, Field(ge=1, le=30)] = 5.0
    """Mulch thinner than this is topped up before heat and summer."""
    windy_m_s: Annotated[float, Field(ge=1, le=20)] = 5.0
    """Mean wind of a hot day, m/s at 2 m, from which tall crops are tied."""
    frost_c: Annotated[float, Field(ge=-10, le=10)] = 2.0
    """Minimum, degC, from which the lines are kept from freezing."""
    animals: tuple[Label, ...] = ()
    """Animals, or a worm farm, that want shade and water in the heat."""
    store_l: Annotated[float, Field(ge=0, le=100_000)] = 0.0
    """Water in tanks and cans that is filled up before heat, L."""


class YearDayTable(Table):
    """A day of every year."""

    month: Annotated[int, Field(ge=1, le=12)]
    """1 is January."""
    day: Annotated[int, Field(ge=1, le=28)]
    """Up to the 28th, which every month has."""


class OwnJobTable(Table):
    """A job of your own, in your own words."""

    id: Id
    """Name by which it is reported done; with own- before it."""
    text: Annotated[
        str,
        Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"),
        Says("a sentence of 1 to 200 characters on one line, in quotes"),
    ]
    """What is to be done, as you want to read it."""
    when: Annotated[
        Annotated[
            Literal["before heat", "eve of heat", "in heat", "after heat", "hot wind", "frost"], Tag("by name")
        ]
        | Annotated[YearDayTable, Tag("as a table")],
        Discriminator(_form),
    ]
    """What brings it up: an occasion, or a day of every year; then it stands for a week."""
    zones: tuple[Annotated[str, Says("the id of a zone in quotes")], ...] = ()
    """Zones it is for; none: the whole garden."""
    minutes: Annotated[float, Field(ge=0, le=1440)] = 15.0
    """How long it takes."""


class HandPotsTable(Table):
    """Pots that no valve reaches: in the heat you are told how much each needs."""

    name: Label
    """Their name for people."""
    count: Annotated[int, Field(ge=1, le=1000)]
    """How many there are."""
    volume_l: Annotated[float, Field(ge=0.2, le=2000)]
    """Volume of one, L."""
    crop: Annotated[str, Says("a crop in quotes")]
    """What grows in them."""


MailAddress = Annotated[
    str, Field(pattern=r"^[^\s@<>]+@[^\s@<>]+$", max_length=254), Says("an e-mail address in quotes")
]


class MailTable(Table):
    """Where the digest goes by e-mail, and through which server."""

    host: Annotated[str, Field(min_length=1, max_length=253, pattern=r"^\S+$"), Says("a host name in quotes")]
    """The mail server that takes your mail."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """TCP port; absent: 465 with tls, 587 with starttls, 25 with none."""
    security: Literal["tls", "starttls", "none"] = "tls"
    """How the connection is encrypted; none only to a server on this very machine."""
    ca_file: File | None = None
    """Certificate of the authority that signed the server's; absent: the system's list."""
    sender: MailAddress
    """Address it comes from."""
    to: Annotated[tuple[MailAddress, ...], Field(min_length=1, max_length=10), Says("addresses in a list")]
    """Who gets it."""
    username: Label | None = None
    """Name to log in with; absent: no login."""
    password_file: File | None = None
    """File that holds the password and nothing else; absent: mail-password in $CREDENTIALS_DIRECTORY."""

    @property
    def tcp_port(self) -> int:
        """The port given, else the usual one."""
        return self.port or {"tls": 465, "starttls": 587, "none": 25}[self.security]


class DigestTable(Table):
    """The day's message to the gardener."""

    wanted: bool = True
    """Whether there is to be one."""
    at: Annotated[dt.time, Says("a local time with seconds and without quotes, as 18:00:00")] = dt.time(18, 0)
    """When it goes out, if there is anything to say."""
    quiet: WindowTable = WindowTable.model_validate({"from": dt.time(21, 0), "until": dt.time(7, 0)})
    """Hours in which nothing is sent, unless water may be running that should not."""
    mail: MailTable | None = None
    """Give it to get the digest by e-mail as well."""


class ValveTable(Table):
    """The pin of a valve."""

    pin: Pin
    """GPIO number."""
    active: Literal["high", "low"] = "high"
    """Level that opens the valve. The pull the pin has while the Pi starts must be the other one."""


class MasterTable(ValveTable):
    """A master valve or a pump before all zones of a supply."""

    lead_s: Annotated[float, Field(ge=0, le=60)] = 2.0
    """It opens so long after the zone valve."""
    trail_s: Annotated[float, Field(ge=0, le=60)] = 2.0
    """It closes so long before the zone valve."""
    kind: Literal["valve", "pump"] = "valve"
    """What hangs on the pin."""
    rest_s: Annotated[float, Field(ge=0, le=3600)] | None = None
    """Once off it stays off so long; absent: 10 for a pump, 0 for a valve."""
    longest_run_min: Annotated[float, Field(ge=0.5, le=1440)] | None = None
    """It runs so long at a stretch at most; absent: 240 for a pump, no limit for a valve."""


class SunPumpTable(Table):
    """When a pump on sunlight runs."""

    after_sunrise_min: Annotated[float, Field(ge=0, le=360)] = 60.0
    """It gives water from so long after sunrise."""
    before_sunset_min: Annotated[float, Field(ge=0, le=360)] = 60.0
    """It does so until so long before sunset."""


class TankTable(Table):
    """A tank that fills slowly."""

    capacity_l: Annotated[float, Field(ge=1, le=1_000_000)]
    """What it holds when full, L."""
    inflow_l_h: Annotated[float, Field(ge=0, le=100_000)] = 0.0
    """What comes in, by a well, a spring or a pump of its own, L/h; rain is not counted on."""
    kept_l: Annotated[float, Field(ge=0, le=1_000_000)] = 0.0
    """At this level nothing more is drawn, so that the pump does not run dry, L."""
    start_l: Annotated[float, Field(ge=0, le=1_000_000)] | None = None
    """What it holds when Seepward first hears of it, L; absent: it is full."""


class SupplyTable(Table):
    """A tap, pump or tank. The only one, or one of several, each with an id that zones name."""

    id: Id = "supply"
    """Name of the supply; zones name it where there are several."""
    name: Label | None = None
    """Name for people; absent: the id."""
    capacity_l_min: Annotated[float, Field(ge=0.1, le=1000)]
    """What it gives at most, L/min: time a bucket, with the pipe that feeds the zones."""
    settle_s: Annotated[float, Field(ge=0, le=300)] = 5.0
    """Pause between closing one valve and opening the next."""
    salinity_ds_m: Annotated[float, Field(ge=0, le=15)] | None = None
    """Electrical conductivity ECw of the water, dS/m; absent: salt is not reckoned with."""
    master: MasterTable | None = None
    """Master valve or pump, if there is one."""
    quiet: tuple[WindowTable, ...] = ()
    """Hours in which it must not run, for the noise of its pump."""
    sun_pump: SunPumpTable | None = None
    """Give it, even empty, if the pump runs on sunlight only."""
    branches: Annotated[dict[Id, Annotated[float, Field(ge=0.1, le=1000)]], Says("a table of names with L/min")] = {}
    """Pipes that carry less than the supply gives: each with the flow up to which its pressure holds, L/min."""
    tank: TankTable | None = None
    """Give it if the water comes from a tank that may run out."""


class LineTable(Table):
    """What lets the water out."""  # which keys each kind needs: build.LINE_KEYS

    kind: Literal["dripline", "drippers", "weeper hose", "micro-spray"]
    """The sort of line."""
    flow_l_min: Annotated[float, Field(ge=0.01, le=1000)] | None = None
    """Measured flow of the whole zone; overrules what the other keys give."""
    emitter_flow_l_h: Annotated[float, Field(ge=0.1, le=200)] | None = None
    """Flow of one emitter, L/h."""
    emitter_spacing_m: Annotated[float, Field(ge=0.05, le=5)] | None = None
    """From one emitter to the next along the dripline, m."""
    flow_l_h_m: Annotated[float, Field(ge=0.1, le=100)] | None = None
    """Flow of one metre of weeper hose, L/h: measure it, makers' figures differ fourfold."""
    length_m: Annotated[float, Field(ge=0.1, le=2000)] | None = None
    """Length of dripline or hose in the zone, m."""
    count: Annotated[int, Field(ge=1, le=10_000)] | None = None
    """Number of drippers in the zone."""
    wetted_width_m: Annotated[float, Field(ge=0.05, le=5)] | None = None
    """Width of the wet strip along the line, or of the wet spot of a dripper, m."""
    efficiency: Annotated[float, Field(ge=0.3, le=1)] | None = None
    """Share of the water that stays in the root zone; absent: by kind."""
    uniformity: Annotated[float, Field(ge=0.4, le=1)] | None = None
    """Evenness DU of emitter flows measured with cups: mean of the lowest quarter over the mean of all."""
    fill_l: Annotated[float, Field(ge=0, le=1000)] = 0.0
    """Water that fills the line before it gives any, if it runs empty after each pulse, L: 0.145 L a metre of 13.6 mm
    bore. Leave it out for a line that stays full."""
    under_mulch: bool = False
    """The line lies under the mulch, which then takes nothing from a watering."""


class MulchTable(Table):
    """Loose cover on the ground."""

    kind: Literal["straw", "hay", "leaves", "wood chips", "bark", "gravel", "film"]
    """What it is."""
    depth_cm: Annotated[float, Field(ge=0.1, le=50)]
    """How thick, cm."""
    cover: Annotated[float, Field(ge=0, le=1)] = 1.0
    """Share of the ground that it covers."""


class ShadeTable(Table):
    """Something that takes sun from a zone."""

    kind: Literal["cloth", "tree", "wall"]
    """What it is."""
    percent: Annotated[float, Field(ge=1, le=100)]
    """Share of the sun that it takes, as printed on shade cloth."""
    hours: WindowTable | None = None
    """Local time in which its shadow lies on the zone; absent: all day."""
    months: Annotated[
        tuple[Annotated[int, Field(ge=1, le=12)], ...],
        Says("months in a list of whole numbers from 1 to 12, as [6, 7, 8, 9]"),
    ] = ()
    """Months in which it is there; none: all year."""
    wind_factor: Annotated[float, Field(ge=0.1, le=1)] = 1.0
    """Share of the wind that comes through."""
    by_hand: bool = False
    """It is put up when Seepward asks for shade, and counts from the report that this is done."""


class PotsTable(Table):
    """Plants in containers that can be moved."""

    count: Annotated[int, Field(ge=1, le=1000)]
    """Number of pots in the zone."""
    volume_l: Annotated[float, Field(ge=0.2, le=2000)]
    """Volume of mix in one pot, litres."""
    available_share: Annotated[float, Field(ge=0.05, le=0.4)] | None = None
    """Water that plants can take from a filled pot, as a share of its volume; absent: by the soil."""
    moves_off_line: bool = False
    """Moved into the shade they get nothing from the line, and must be watered by hand."""
    shade_percent: Annotated[float, Field(ge=0, le=100)] = 60.0
    """Share of the sun that they lose where they are moved to."""


class SoilTable(Table):
    """A soil that departs from the library's row for its texture."""

    texture: Annotated[str, Says("a texture in quotes")]
    """Texture that gives every figure not named here."""
    field_capacity: Content | None = None
    """Water content that the soil holds against gravity, m3/m3."""
    wilting_point: Content | None = None
    """Water content at which plants wilt for good, m3/m3."""
    intake_mm_h: Annotated[float, Field(ge=0.5, le=500)] | None = None
    """How fast water enters the soil, mm/h."""
    surface_store_mm: Annotated[float, Field(ge=0, le=50)] | None = None
    """Water that may stand on the surface before it runs off, mm; absent: by texture and slope."""
    saturated_conductivity_mm_h: Annotated[float, Field(ge=0.1, le=2000)] | None = None
    """How fast water passes through the saturated soil, mm/h."""
    repellent: bool = False
    """When dry it sheds water, as sand under organic matter may: a drop stays a drop for more than five seconds."""


Days = Annotated[int, Field(ge=1, le=400)]
Coefficient = Annotated[float, Field(ge=0.01, le=2.5)]


class CropTable(Table):
    """A crop that departs from the library's row of another."""

    name: Label
    """Its name for people."""
    like: Annotated[str, Says("a crop in quotes")]
    """Crop of the library that gives every figure not named here."""
    kc_ini: Coefficient | None = None
    """Crop coefficient Kc of the initial stage."""
    kc_mid: Coefficient | None = None
    """Kc of mid-season."""
    kc_end: Coefficient | None = None
    """Kc at the end of the late stage."""
    kcb_ini: Coefficient | None = None
    """Basal coefficient Kcb of the initial stage."""
    kcb_mid: Coefficient | None = None
    """Kcb of mid-season."""
    kcb_end: Coefficient | None = None
    """Kcb at the end of the late stage."""
    height_m: Annotated[float, Field(ge=0.05, le=30)] | None = None
    """Full height, m."""
    root_depth_max_m: Annotated[float, Field(ge=0.05, le=3)] | None = None
    """Depth of full-grown roots, m."""
    depletion_fraction: Annotated[float, Field(ge=0.1, le=0.8)] | None = None
    """Share p of the available water that may go before the plant feels it, at 5 mm a day."""
    perennial: bool | None = None
    """Does it stay for years?"""
    stages_days: (
        Annotated[
            tuple[Days, Days, Days, Days], Says("four whole numbers of days [initial, development, mid, late]")
        ]
        | None
    ) = None
    """Lengths of the four stages of growth, days."""
    kcb_months: (
        Annotated[
            tuple[Coefficient, ...],
            Field(min_length=12, max_length=12),
            Says("twelve numbers from 0.01 to 2.5, January first"),
        ]
        | None
    ) = None
    """Basal coefficient of each month as measured in your country, for plants that go by the calendar and not by
    stages, as a lawn."""


class ZoneTable(Table):
    """Plants watered together by one valve."""

    id: Id
    """Name of the zone in commands and topics."""
    name: Label | None = None
    """Name for people; absent: the id."""
    area_m2: Annotated[float, Field(ge=0.05, le=10_000)] | None = None
    """Ground the plants have to themselves, m2; may be left out for pots."""
    crop: Annotated[
        Annotated[str, Tag("by name"), Says("a crop in quotes")] | Annotated[CropTable, Tag("as a table")],
        Discriminator(_form),
    ]
    """Crop of the library, or a table."""
    planted: Annotated[dt.date, Says("a date without quotes, as 2026-04-20")] | None = None
    """Day of planting; leave out for long-established plants."""
    last_harvest: Annotated[dt.date, Says("a date without quotes, as 2026-09-10")] | None = None
    """Day of the last harvest, if you know it: the last waterings give no more than is still of use."""
    soil: (
        Annotated[
            Annotated[str, Tag("by name"), Says("a texture in quotes")]
            | Annotated[SoilTable, Tag("as a table")],
            Discriminator(_form),
        ]
        | None
    ) = None
    """Texture of the library, or a table; absent: potting mix for pots, and needed otherwise."""
    root_depth_m: Annotated[float, Field(ge=0.05, le=3)] | None = None
    """Depth of the roots, m; absent: the crop's own curve."""
    slope_percent: Annotated[float, Field(ge=0, le=60)] = 0.0
    """Slope of the ground."""
    tender: bool = False
    """Seedlings or newly planted: first served and first shaded; without `planted`, until you change it."""
    established_after_days: Annotated[int, Field(ge=1, le=365)] = 21
    """So many days after `planted` a tender zone is tender no more."""
    tall: bool = False
    """Tall enough to shade its neighbours."""
    dusk_refresh: bool = True
    """May be watered after sunset on hot days."""
    value: Annotated[int, Field(ge=1, le=3)] = 2
    """When water is short, 3 is worth most and 1 least."""
    food: bool = True
    """Grown to be eaten? Some local rules leave such plants out."""
    rescue: bool = False
    """May get a little by day, in the allowed hours, if it would not last until dusk."""
    longest_open_min: Minutes | None = None
    """Longest single opening; absent: that of [guard]."""
    most_open_min_24h: Minutes | None = None
    """Most opening within any 24 hours; absent: that of [guard]."""
    supply: Annotated[str, Says("the id of a supply in quotes")] | None = None
    """Id of the supply that its valve hangs on; absent: the only one."""
    branch: Annotated[str, Says("the name of a branch in quotes")] | None = None
    """Branch of its supply that feeds it; absent: none that limits it."""
    most_litres_24h: Litres | None = None
    """Most litres within any 24 hours; absent: a third more than its flow gives in most_open_min_24h."""
    valve: ValveTable
    """Its valve."""
    line: LineTable
    """Its line."""
    mulch: MulchTable | None = None
    """Its mulch, if any."""
    pots: PotsTable | None = None
    """Give it if the plants stand in pots."""
    shade: tuple[ShadeTable, ...] = ()
    """What takes sun from it, a table each."""


Point = Annotated[float, Field(ge=-1e7, le=1e7)]
Word = Annotated[
    str,
    Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"),
    Says("a word of 1 to 40 characters in quotes"),
]


class SensorTable(Table):
    """Something that reports over MQTT."""  # which units each kind takes: checks.UNITS

    id: Id
    """Name of the sensor in faults and topics."""
    kind: Literal[
        "soil moisture", "air temperature", "rain", "rain switch", "soil temperature", "job switch",
        "stop switch", "pressure switch", "tank switch", "flow meter", "tank level",
    ]
    """What it measures. rain: what fell since the last report; rain switch: wet or dry; job switch: done or undone;
    stop switch: on is pressed; pressure switch: on is pressure in the mains; tank switch: on is water in the tank; flow
    meter: a counter that only rises, before all valves; tank level: what the tank of a supply holds."""
    zone: Annotated[str, Says("the id of a zone in quotes")] | None = None
    """Zone a soil moisture probe stands in; a soil thermometer and a job switch may."""
    job: Literal["shade", "pots", "mulch-back"] | None = None
    """What a job switch tells of: a contact at the rolled-up cloth, say."""
    topic: Topic | None = None
    """Where it publishes."""
    pin: Pin | None = None
    """GPIO number, for a stop, pressure or tank switch or a flow meter wired to the Pi; then it has no topic."""
    active: Literal["high", "low"] | None = None
    """Level of the pin that means on; absent: high for a stop switch, low for the others. With the pull-up a broken
    wire then means: stopped, no pressure, tank empty, dry."""
    pull: Literal["up", "down", "none"] = "up"
    """The pin's own resistor."""
    pulses_per_litre: Annotated[float, Field(ge=0.01, le=100_000)] | None = None
    """Of a flow meter, by its maker or by a bucket: how often it counts in a litre."""
    supply: Annotated[str, Says("the id of a supply in quotes")] | None = None
    """Of a flow meter, the supply whose water it counts; of a tank level, the tank's supply; absent: the only one."""
    pointer: Pointer | None = None
    """Place of the value in a JSON payload; absent: the payload is the plain value."""
    unit: (
        Literal["m3/m3", "%", "permittivity", "kPa", "cb", "raw", "°C", "°F", "mm", "in", "pulses", "L"] | None
    ) = None
    """Unit of the number; only a switch has none."""
    calibration: (
        Annotated[
            tuple[tuple[Point, Point], ...],
            Field(min_length=2, max_length=6),
            Says("two to six pairs of numbers [[raw, value], [raw, value]]"),
        ]
        | None
    ) = None
    """Readings with the true values in m3/m3, degC or mm; straight between them, and on beyond."""
    polynomial: (
        Annotated[
            tuple[Point, ...],
            Field(min_length=2, max_length=6),
            Says("two to six numbers in a list [c0, c1, c2], for c0 + c1 raw + c2 raw^2"),
        ]
        | None
    ) = None
    """Coefficients of the value in m3/m3, degC or mm, constant first."""
    permittivity: Literal["topp", "ledieu"] | None = None
    """Formula from permittivity to water content: topp for mineral soils, or ledieu."""
    tension: bool = False
    """True: from tension to water content by the texture of the zone. Sand says little beyond 15 kPa."""
    on: Word | None = None
    """What a switch says when it is on, wet, or the job is done; absent: true, 1, wet or on."""
    off: Word | None = None
    """What it says when it is off, dry, or undone; absent: false, 0, dry or off."""
    sd: Annotated[float, Field(ge=0.0001, le=20)] | None = None
    """Standard deviation of the whole error of one reading in m3/m3, degC or mm: noise, and what zero, gain and place
    are off; absent: by kind."""
    stale_after_min: Annotated[float, Field(ge=1, le=10_080)] = 360.0
    """After so long a silence its last word no longer counts."""
    time_pointer: Pointer | None = None
    """Place of the time in a JSON payload (RFC 3339 or seconds since 1970); absent: time of arrival."""
