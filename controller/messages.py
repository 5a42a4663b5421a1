"""What goes over MQTT: the envelope of a raw message, and the payload of each topic under `seepward/<site>/`.

The payloads are the only description there is: they are checked on the way in and on the way out, and
`python -m controller.messages > config/asyncapi.json` writes the AsyncAPI 3.0.0 document from them.
Times are RFC 3339 with offset, numbers finite, quantities carry their unit last in the name.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    JsonValue,
    ValidationError,
    model_validator,
)
from pydantic.json_schema import models_json_schema

from controller.core.events import Verb

INTERFACE_VERSION = "1.0.0"
ROOT = "seepward"


# --- envelopes ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Message:
    """A raw message as it came, unread.

    retained: the broker had kept it, so it may be of any age. expiry_s: what is left of its MQTT 5 lifetime.
    response_topic, correlation_data: where MQTT 5 wants the answer, and what must go with it.
    """

    topic: str
    payload: bytes
    retained: bool = False
    expiry_s: int | None = None
    response_topic: str | None = None
    correlation_data: bytes | None = None


@dataclass(frozen=True, slots=True)
class Subscription:
    """A topic to hear.

    live_only: what the broker has kept is not wanted, and a live message must show whether it is to be kept
    (MQTT 5 only; 3.1.1 hands the kept one over at every connect, marked, and does not mark the live one).
    """

    topic: str
    live_only: bool = False


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes, retained, when the connection dies without a goodbye."""

    topic: str
    payload: bytes


# --- the pieces of payloads ---------------------------------------------------------------------------------


def _rounded(value: float) -> float:
    return round(value, 4)


Number = Annotated[float, Field(allow_inf_nan=False), AfterValidator(_rounded)]
"""Finite, to four decimals: finer would only be noise on the wire."""
Share = Annotated[Number, Field(ge=0, le=1)]
Amount = Annotated[Number, Field(ge=0)]
ZoneId = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9-]+$")]
AskId = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._:-]+$")]


class Payload(BaseModel):
    """Common ground: no unknown fields, and the field docstrings become the descriptions."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, hide_input_in_errors=True)


class Status(Payload):
    """Topic `status`: whether the controller is there and fit. The broker says offline when it is lost."""

    online: bool
    """True while the controller is connected."""
    said: str
    """The state in one sentence."""
    started: AwareDatetime | None = None
    """When the controller was started."""
    version: str | None = None
    """Version of the controller."""
    guard: Literal["ready", "lost"] | None = None
    """Whether the guard owns the valve lines; lost means that nothing may open."""
    clock_trusted: bool | None = None
    """Whether the wall clock may be believed."""
    held: bool = False
    """Whether watering of the whole site is on hold."""
    held_until: AwareDatetime | None = None
    """When the hold of the whole site ends; null with held true means until released."""
    open_valves: list[ZoneId] = []
    """Zones whose valve is open now."""
    tanks_l: dict[str, float] = {}
    """What each tank holds, by its supply, litres: as its sensor said, or as reckoned since."""
    forecast_age_h: Amount | None = None
    """Age of the forecast in hours; null without one."""
    memory_mb: Amount | None = None
    """Resident memory of the controller in megabytes."""
    refused_messages: dict[str, int] = {}
    """Messages that could not be used since the start, by sensor id or topic."""


class NeedView(Payload):
    """What a zone should get next, and why."""

    mm: Amount
    """Depth over the zone's area in mm."""
    litres: Amount
    """The same in litres."""
    reasons: list[str]
    """Why, one sentence each."""


class NextWatering(Payload):
    """The next planned watering of a zone."""

    start: AwareDatetime
    """When its first pulse begins."""
    purpose: str
    """Dawn soak, dusk refresh or by hand."""
    litres: Amount
    """How much is to be given."""


class LastWatering(Payload):
    """The last watering of a zone."""

    when: AwareDatetime
    """When its last pulse ended."""
    litres: Amount
    """How much was given."""


class LearntView(Payload):
    """What a bed has taught the controller about itself."""

    demand_factor: Amount
    """Its demand as a multiple of the table's."""
    store_factor: Amount
    """The water it holds for plants as a multiple of the table's soil."""
    probe_offsets_m3_m3: dict[str, Number] = {}
    """What each probe reads above the truth, by sensor id, in m3/m3."""


class ZoneView(Payload):
    """Topic `zone/<id>`: the state of one zone."""

    id: ZoneId
    """The zone's id in the config file."""
    name: str
    """The zone's name for people."""
    moisture_m3_m3: Share | None
    """Water content of the root zone, m3 of water per m3 of soil; null if unknown."""
    depletion_mm: Amount | None
    """Water missing from the root zone below field capacity (FAO-56 Dr) in mm; null if unknown."""
    available_mm: Amount | None
    """Water that the root zone holds between field capacity and wilting point (FAO-56 TAW) in mm."""
    readily_available_mm: Amount | None
    """The part of it that plants take up without stress (FAO-56 RAW) in mm."""
    need: NeedView | None
    """What it should get next; null if it needs nothing."""
    next_watering: NextWatering | None
    """The next planned watering; null if none is planned."""
    valve: Literal["open", "closed"]
    """Whether its valve stands open."""
    last_watering: LastWatering | None
    """The last watering; null if there was none yet."""
    held_until: AwareDatetime | None = None
    """When the zone's own hold ends; null with held true means until released."""
    held: bool = False
    """Whether this zone is on hold."""
    trust: dict[str, Share] = {}
    """Trust in each of its sensors by sensor id: a real number from 0 (it is not followed) to 1 (nothing speaks against
    it). It sinks with the age of the last reading, the offset learnt, noise, distance from the balance and from other
    probes, and hours without a change, each beside its limit; with one of them at its limit it is a half."""
    trust_together: Share | None = None
    """Trust in its moisture probes together, 0 to 1: two that are each half to be trusted make three quarters; null for
    a zone without a probe, which goes by weather and tables."""
    learnt: LearntView | None = None
    """What the bed has taught about itself; null before the first reading."""


class PulseView(Payload):
    """Water on, once."""

    start: AwareDatetime
    """When the valve is to open."""
    seconds: Amount
    """How long it is to stay open."""
    litres: Amount
    """How much that gives."""


class WateringView(Payload):
    """A run of pulses for one zone."""

    id: str
    """Names zone, purpose and day, so that it cannot be given twice."""
    zone: ZoneId
    """The zone that gets it."""
    purpose: str
    """Dawn soak, dusk refresh or by hand."""
    start: AwareDatetime
    """When the first pulse begins."""
    end: AwareDatetime
    """When the last pulse ends."""
    mm: Amount
    """Depth over the zone's area in mm."""
    litres: Amount
    """The same in litres."""
    pulses: list[PulseView]
    """The pulses in order; between them the water soaks in."""
    reasons: list[str]
    """Why, one sentence each."""


class PlanView(Payload):
    """Topic `plan`: the coming waterings in order of their start."""

    made: AwareDatetime
    """When the plan was made."""
    because: str
    """What gave rise to it."""
    waterings: list[WateringView]
    """The waterings in order."""
    remarks: list[str] = []
    """What could not be given and why, one sentence each."""


class JobView(Payload):
    """Something the gardener's hands must do."""

    id: str
    """Id by which it is reported done."""
    what: str
    """What to do."""
    why: str
    """Why, in one sentence."""
    when: str
    """When to do it, for people ("before 10:00", "this evening")."""
    since: AwareDatetime | None = None
    """From when on it may be done."""
    due: AwareDatetime | None = None
    """When it should be done at the latest; null if that does not matter."""
    minutes: Amount | None = None
    """How long it should take; 0 for something to keep to."""
    stage: Literal["before", "eve", "during", "after", "season", "own"] | None = None
    """Where it belongs: days before a hot spell, on its eve, in it, after it, to the season, or the house's own."""
    state: Literal["open", "done", "dismissed", "expired"] = "open"
    """How it stands."""
    litres: dict[ZoneId, Amount] = {}
    """Water to give by hand, in litres by zone."""
    zones: list[ZoneId] = []
    """Zones it concerns."""
    plants: list[str] = []
    """Plants it is for."""


class JobsView(Payload):
    """Topic `jobs`: what only hands can do, most urgent first."""

    jobs: list[JobView]
    """The jobs now open."""
    caution: str | None = None
    """What people should mind, where jobs are done in the heat."""
    language: str = "en"
    """Language of the texts."""


class DayView(Payload):
    """One civil day of the forecast."""

    day: date
    """The day at the site."""
    tmax_c: Number | None
    """Highest air temperature in degC."""
    tmin_c: Number | None
    """Lowest air temperature in degC."""
    rain_mm: Amount | None
    """Rain in mm."""
    rain_probability: Share | None = None
    """Probability of rain, 0 to 1."""
    et0_mm: Amount | None = None
    """Reference evapotranspiration (FAO-56 eq. 6) in mm."""
    hot: bool = False
    """Whether it counts as a hot day here."""


class SpellView(Payload):
    """A run of hot days."""

    first: date
    """Its first day."""
    last: date
    """Its last day in sight."""
    peak_c: Number
    """Highest daily maximum within it in degC."""
    ehf_c2: Number | None
    """Largest Excess Heat Factor of its days in degC squared; null while the climate of the place is not known."""
    severity: Literal["low", "severe", "extreme"] | None
    """Its class by EHF85 (Nairn & Fawcett 2015); null if it is no heat wave, or the place's are not known yet."""


class PlaceView(Payload):
    """What the site's own thermometer has taught about the place."""

    tmax_bias_c: Number
    """By how much the day's maximum tops the forecast, in degC, -4 to 4; added to every forecast."""
    tmin_bias_c: Number
    """The same of the minimum."""
    t95_c: Number | None
    """95th percentile of the daily mean temperature in degC, given, learnt or guessed; null if nothing is known."""
    ehf85_c2: Number | None
    """85th percentile of the positive Excess Heat Factors in degC squared, given or learnt; null if neither."""


class WeatherView(Payload):
    """Topic `weather`: the forecast in use, day by day."""

    source: str
    """Who said so."""
    issued: AwareDatetime | None
    """When it was fetched; null without a forecast."""
    said: str
    """The outlook in one sentence."""
    days: list[DayView]
    """Today and the coming days, as warm as they are foreseen for this place."""
    spells: list[SpellView] = []
    """The hot spells among them, in order."""
    learnt: PlaceView | None = None
    """What the place has taught."""


class FaultView(Payload):
    """Topic `fault/<id>`: something broken that a person should know of; emptied when it is over."""

    id: str
    """Id of the fault, the last level of its topic."""
    since: AwareDatetime
    """When it was noticed."""
    said: str
    """What is wrong and what to do, in one sentence."""
    zone: ZoneId | None = None
    """The zone it concerns, if any."""
    sensor: str | None = None
    """The sensor it concerns, if any."""


MOST_ASKED = {"litres": 100_000, "minutes": 1440, "mm": 500}
"""The most that one ask may be for."""


class AskMessage(Payload):
    """Topic `ask`: a person's wish. It gets one answer; the same id is acted on once."""

    model_config = ConfigDict(strict=True)

    id: AskId
    """Unique name of this ask, made by the sender."""
    do: Verb
    """What to do."""
    zone: ZoneId | None = None
    """The zone meant; null means the whole site, where that makes sense."""
    litres: Annotated[float, Field(gt=0, le=MOST_ASKED["litres"], allow_inf_nan=False)] | None = None
    """Amount of a watering in litres."""
    minutes: Annotated[float, Field(gt=0, le=MOST_ASKED["minutes"], allow_inf_nan=False)] | None = None
    """Amount of a watering in minutes of open valve."""
    mm: Annotated[float, Field(gt=0, le=MOST_ASKED["mm"], allow_inf_nan=False)] | None = None
    """Amount of a watering in mm over the zone's area."""
    until: AwareDatetime | None = None
    """When a hold ends; null means until released."""
    expires: AwareDatetime | None = None
    """After this moment it must not be acted on."""
    job: Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")] | None = None
    """Id of the job reported done."""

    @model_validator(mode="after")
    def _fits_together(self) -> "AskMessage":
        amounts = [name for name in ("litres", "minutes", "mm") if getattr(self, name) is not None]
        if len(amounts) > 1:
            raise ValueError(f"give one amount only, not {' and '.join(amounts)}")
        if amounts and self.do != "water":
            raise ValueError(f'an amount goes with "water", not with "{self.do}"')
        if self.do == "water" and self.zone is None:
            raise ValueError('"water" needs the id of a zone')
        if self.do in ("job-done", "job-dismiss") and self.job is None:
            raise ValueError(f'"{self.do}" needs the id of a job')
        return self


class DigestMessage(Payload):
    """Topic `digest`: the message of the day for the gardener, and urgent ones; sent once, never kept."""

    day: date
    """The day it is of."""
    urgent: bool
    """Whether it could not wait for the hour of the day's message."""
    subject: str
    """What it is about, in one line."""
    text: str
    """The whole, as plain text."""
    jobs: list[str] = []
    """Ids of the jobs that it asks for."""
    language: str = "en"
    """Language of the texts."""


class AnswerMessage(Payload):
    """Topic `answer`, or the MQTT 5 response topic with the correlation data: the one answer to an ask."""

    id: str | None
    """Id of the ask; null if it had none that could be read."""
    ok: bool
    """Whether it is done, or will be."""
    said: str
    """The answer in one sentence."""
    facts: dict[str, JsonValue] = {}
    """The same in numbers, for programs."""


def sentence(mistake: ValidationError) -> str:
    """The first mistake of a payload, as one sentence that repeats nothing unprintable of it."""
    first = mistake.errors(include_url=False, include_input=False)[0]
    what = first["msg"].removeprefix("Value error, ")
    if not first["loc"]:
        return f"{what[0].upper()}{what[1:]}."
    where = ascii(".".join(str(step) for step in first["loc"])[:60])[1:-1]
    return f'"{where}": {what[0].lower()}{what[1:]}.'


# --- the topics, and the document that describes them -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Topic:
    """One row of the interface. `path` comes after `seepward/<site>/`; a level in braces varies."""

    name: str
    path: str
    model: type[Payload]
    example: Mapping[str, Any]
    retained: bool = True


_DAWN = "2026-07-14T04:12:00+01:00"
_NOON = "2026-07-13T12:00:00+01:00"

TOPICS = (
    Topic(
        "status",
        "status",
        Status,
        {
            "online": True,
            "said": "All valves closed, next watering at 04:12.",
            "started": "2026-07-01T08:00:00+01:00",
            "guard": "ready",
        },
    ),
    Topic(
        "zone",
        "zone/{id}",
        ZoneView,
        {
            "id": "tomatoes",
            "name": "Tomatoes",
            "moisture_m3_m3": 0.18,
            "depletion_mm": 14.0,
            "available_mm": 52.0,
            "readily_available_mm": 20.8,
            "need": {"mm": 15.6, "litres": 62.4, "reasons": ["14 mm are missing."]},
            "next_watering": {"start": _DAWN, "purpose": "dawn soak", "litres": 62.4},
            "valve": "closed",
            "last_watering": {"when": "2026-07-12T05:30:00+01:00", "litres": 58.0},
            "trust": {"tomatoes-probe": 0.9},
            "trust_together": 0.9,
        },
    ),
    Topic(
        "plan",
        "plan",
        PlanView,
        {
            "made": _NOON,
            "because": "A new forecast came.",
            "waterings": [
                {
                    "id": "dawn-2026-07-14-tomatoes",
                    "zone": "tomatoes",
                    "purpose": "dawn soak",
                    "start": _DAWN,
                    "end": "2026-07-14T05:20:00+01:00",
                    "mm": 15.6,
                    "litres": 62.4,
                    "pulses": [
                        {"start": _DAWN, "seconds": 900, "litres": 31.2},
                        {"start": "2026-07-14T05:05:00+01:00", "seconds": 900, "litres": 31.2},
                    ],
                    "reasons": ["14 mm are missing."],
                }
            ],
        },
    ),
    Topic(
        "jobs",
        "jobs",
        JobsView,
        {
            "jobs": [
                {
                    "id": "shade",
                    "stage": "eve",
                    "what": "Shade salad.",
                    "why": "Up to 39 °C on Tuesday 14 July: seedlings and the newly planted burn first.",
                    "when": "by Monday 13 July, 20:58",
                    "minutes": 10,
                    "zones": ["salad"],
                    "plants": ["Salad"],
                }
            ]
        },
    ),
    Topic(
        "weather",
        "weather",
        WeatherView,
        {
            "source": "open-meteo",
            "issued": _NOON,
            "said": "Hot and dry.",
            "days": [{"day": "2026-07-14", "tmax_c": 39.0, "tmin_c": 21.5, "rain_mm": 0.0, "hot": True}],
            "spells": [
                {"first": "2026-07-14", "last": "2026-07-16", "peak_c": 41.0, "ehf_c2": 24.0, "severity": "severe"}
            ],
            "learnt": {"tmax_bias_c": 1.2, "tmin_bias_c": -0.4, "t95_c": 26.5, "ehf85_c2": 18.0},
        },
    ),
    Topic(
        "fault",
        "fault/{id}",
        FaultView,
        {
            "id": "probe-tomatoes-probe",
            "since": _NOON,
            "sensor": "tomatoes-probe",
            "said": "The probe has said nothing for 7 hours; look at its battery.",
        },
    ),
    Topic(
        "ask",
        "ask",
        AskMessage,
        {
            "id": "f3c1",
            "do": "water",
            "zone": "tomatoes",
            "litres": 20,
            "expires": "2026-07-13T12:00:30+01:00",
        },
        retained=False,
    ),
    Topic(
        "answer",
        "answer",
        AnswerMessage,
        {"id": "f3c1", "ok": True, "said": "Tomatoes get 20 L from 12:00 on.", "facts": {"litres": 20}},
        retained=False,
    ),
    Topic(
        "digest",
        "digest",
        DigestMessage,
        {
            "day": "2026-07-13",
            "urgent": False,
            "subject": "Home garden: 1 job",
            "text": "Home garden, Monday 13 July\n\nBy Monday 13 July, 20:58: Shade salad.",
            "jobs": ["shade"],
        },
        retained=False,
    ),
)
VIEWS = {topic.path: topic.model for topic in TOPICS if topic.retained}
"""What the controller shows, by path."""


def view_model(path: str) -> type[Payload]:
    """The model of a path such as `zone/tomatoes`. KeyError if there is no such topic."""
    head, slash, _ = path.partition("/")
    return VIEWS[f"{head}/{{id}}" if slash else head]


def offline(said: str, at: datetime | None = None) -> bytes:
    """The payload of `status` for a controller that is gone; at None for the last will, which cannot know."""
    when = "" if at is None else f" at {at.astimezone(UTC).isoformat(timespec='seconds')}"
    return Status(online=False, said=f"{said}{when}.").model_dump_json().encode()


_MQTT_OPERATION = {"bindingVersion": "0.2.0", "qos": 1}


def _channel(topic: Topic) -> dict[str, Any]:
    """A channel object: the address with its parameters, and the one message it carries."""
    channel: dict[str, Any] = {
        "address": f"{ROOT}/{{site}}/{topic.path}",
        "description": topic.model.__doc__,
        "messages": {topic.name: {"$ref": f"#/components/messages/{topic.name}"}},
        "parameters": {"site": {"description": "Id of the site in the config file."}},
    }
    if "{id}" in topic.path:
        channel["parameters"]["id"] = {"description": f"Id of the {topic.name}."}
    return channel


def _operation(topic: Topic) -> dict[str, Any]:
    """What the controller does with a channel: it receives asks and sends everything else."""
    messages = [{"$ref": f"#/channels/{topic.name}/messages/{topic.name}"}]
    operation: dict[str, Any] = {
        "action": "receive" if topic.name == "ask" else "send",
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "messages": messages,
        "bindings": {"mqtt": {**_MQTT_OPERATION, "retain": topic.retained}},
    }
    if topic.name == "ask":
        operation["reply"] = {
            "address": {
                "location": "$message.header#/responseTopic",
                "description": "The MQTT 5 response topic, best one under answer/; without one: answer.",
            },
            "channel": {"$ref": "#/channels/reply"},
            "messages": [{"$ref": "#/channels/reply/messages/answer"}],
        }
    return operation


def asyncapi() -> dict[str, Any]:
    """The AsyncAPI 3.0.0 document of the whole interface."""
    _, schemas = models_json_schema(
        [(topic.model, "validation" if topic.name == "ask" else "serialization") for topic in TOPICS],
        ref_template="#/components/schemas/{model}",
    )
    channels = {topic.name: _channel(topic) for topic in TOPICS}
    channels["reply"] = {
        "address": None,
        "description": "The MQTT 5 response topic of an ask.",
        "messages": {"answer": {"$ref": "#/components/messages/answer"}},
    }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Seepward",
            "version": INTERFACE_VERSION,
            "description": "State of a watered garden, and asks to it. Sensors publish on topics of "
            "their own, which the config file names.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "broker": {
                "host": "{host}:{port}",
                "protocol": "mqtt",
                "protocolVersion": "5.0",
                "description": "The broker of the garden; 3.1.1 works too, less response topic and expiry.",
                "variables": {
                    "host": {"default": "localhost", "description": "Name or address of the broker."},
                    "port": {"default": "1883", "description": "TCP port; 8883 with TLS."},
                },
            }
        },
        "channels": channels,
        "operations": {topic.name: _operation(topic) for topic in TOPICS},
        "components": {
            "messages": {
                topic.name: {
                    "name": topic.name,
                    "contentType": "application/json",
                    "payload": {"$ref": f"#/components/schemas/{topic.model.__name__}"},
                    "examples": [{"payload": dict(topic.example)}],
                }
                for topic in TOPICS
            },
            "schemas": schemas["$defs"],
        },
    }


if __name__ == "__main__":
    print(json.dumps(asyncapi(), indent=2, ensure_ascii=False))
