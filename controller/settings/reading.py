"""From a file to settings: read it, judge every table by itself, then the tables by each other.

Nothing but ConfigError comes out for any content of the file.
"""

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from controller.settings import checks
from controller.settings.mistakes import ConfigError, refusals
from controller.settings.tables import (
    BudgetTable,
    DigestTable,
    GuardTable,
    HandPotsTable,
    HeatTable,
    MailTable,
    MqttTable,
    NormalTable,
    OwnJobTable,
    RuleTable,
    SensorTable,
    SiteTable,
    SupplyTable,
    Table,
    WateringTable,
    ZoneTable,
)
from controller.settings.whole import Settings

CONFIG_LIMIT_BYTES = 1024 * 1024

AnyTable = TypeVar("AnyTable", bound=Table)


def load(path: str | Path) -> Settings:
    """Read and check a config file. ConfigError, with a line for each of its mistakes, if it cannot be used."""
    raw = _read(Path(path))
    mistakes, refused, settings = [], set[tuple[int | str, ...]](), None
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as error:
        mistakes = refusals(error, Settings, raw)
        refused = {details["loc"][:size] for details in error.errors(include_url=False) for size in (1, 2)}
    mistakes += checks.run(checks.CHECKS, _draft(raw, refused))
    if mistakes or settings is None:
        raise ConfigError([mistake.line(str(path)) for mistake in mistakes])
    settings._file = str(path)
    return settings.resolved()


def password(mqtt: MqttTable, environment: Mapping[str, str] = os.environ) -> str | None:
    """The broker's password: from `password_file`, else mqtt-password of systemd's credentials, else None.

    ConfigError, without the password, if a file is named that cannot be read.
    """
    return _secret(mqtt.password_file, "mqtt-password", "the broker's password", environment)


def mail_password(mail: MailTable, environment: Mapping[str, str] = os.environ) -> str | None:
    """The mail server's password, likewise: from `password_file`, else mail-password, else None."""
    return _secret(mail.password_file, "mail-password", "the mail server's password", environment)


def _secret(named: str | None, credential: str, whose: str, environment: Mapping[str, str]) -> str | None:
    credentials = environment.get("CREDENTIALS_DIRECTORY")
    held = Path(credentials, credential) if credentials else None
    file = Path(named) if named else held
    if file is None or (file == held and not held.exists()):
        return None
    try:
        return file.read_text("utf-8").rstrip("\r\n")
    except (OSError, ValueError) as error:
        raise ConfigError([f"{file}: {whose}: {_reason(error)}"]) from None


def _draft(raw: Mapping[str, Any], refused: set[tuple[int | str, ...]]) -> checks.Draft:
    """What was not refused. `refused` holds the first one and two steps to every refused value."""

    def one(name: str, table: type[AnyTable]) -> AnyTable | None:
        return None if (name,) in refused else table.model_validate(raw.get(name, {}))

    def several(name: str, table: type[AnyTable]) -> tuple[AnyTable, ...]:
        items = raw.get(name, ()) if (name,) not in refused or isinstance(raw.get(name), tuple) else ()
        return tuple(table.model_validate(each) for i, each in enumerate(items) if (name, i) not in refused)

    zones, supply = raw.get("zone"), raw.get("supply", {})
    supplies: tuple[SupplyTable, ...] = ()
    if ("supply",) not in refused:
        supplies = tuple(map(SupplyTable.model_validate, supply if isinstance(supply, tuple) else (supply,)))
    return checks.Draft(
        site=one("site", SiteTable),
        mqtt=one("mqtt", MqttTable),
        guard=one("guard", GuardTable),
        heat=one("heat", HeatTable),
        watering=one("watering", WateringTable),
        supplies=supplies,
        rule=several("rule", RuleTable),
        budget=several("budget", BudgetTable),
        normal=() if ("normal",) in refused else several("normal", NormalTable),
        zone=several("zone", ZoneTable),
        sensor=several("sensor", SensorTable),
        zone_ids=frozenset(
            zone["id"]
            for zone in (zones if isinstance(zones, tuple) else ())
            if isinstance(zone, dict) and isinstance(zone.get("id"), str)
        ),
        job=several("job", OwnJobTable),
        by_hand=several("by_hand", HandPotsTable),
        digest=one("digest", DigestTable),
    )


# The file -----------------------------------------------------------------------------------------


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(CONFIG_LIMIT_BYTES + 1)
        if len(content) > CONFIG_LIMIT_BYTES:
            raise ConfigError([f"{path}: is larger than a megabyte; that is no config of a garden"])
        # TOML allows a line to end in CR LF; some editors put a byte order mark first, which it does not.
        text = content.decode("utf-8-sig")
        return {key: _frozen(value) for key, value in tomllib.loads(text).items()}
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: {_not_toml(str(error), text)}"]) from None
    except (OSError, ValueError, RecursionError) as error:
        raise ConfigError([f"{path}: {_reason(error)}"]) from None


def _frozen(value: Any) -> Any:
    """Lists as tuples, all the way down: the tables hold tuples."""
    if isinstance(value, dict):
        return {key: _frozen(each) for key, each in value.items()}
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


def _reason(error: Exception) -> str:
    """One sentence for what the system or the TOML reader said."""
    match error:
        case OSError():
            return f"cannot be read: {(error.strerror or 'no reason known').lower()}"
        case UnicodeDecodeError():
            return "is not a text in UTF-8; save it as UTF-8"
        case RecursionError():
            return "is nested too deeply; no key needs that"
    said = str(error)
    return f"this is not TOML: {said[:1].lower()}{said[1:]}"


SLIPS = (
    (r"\s*\[+ *(zone|sensor|normal|rule|budget|supply) *\]", "head each of them with double brackets, as [[zone]]"),
    (r".*[“”„‘’]", 'use straight quotes, as in name = "Salad"'),
    (r".*= *[-+]?\d+,\d", "write decimals with a point, as 6.5"),
    (r".*\b\d\d?:\d\d(?![:\d])", "write times with seconds and without quotes, as 20:00:00"),
    (r".*= *\d+([-./])\d+\1\d+", "write dates as 2026-04-05"),
    (r".*= *(True|False|yes|no|on|off)\b", "write true or false, in small letters"),
    (r".*= *[A-Za-z]", 'put texts into quotes, as in crop = "tomato"'),
)
"""What a line that is not TOML looks like, and what its writer meant to be told; the first that fits is said."""


def _not_toml(said: str, text: str) -> str:
    """One sentence for what the TOML reader said, with the slip that the line most looks like."""
    said, _, place = said.partition(" (at ")
    found = re.match(r"line (\d+)", place)
    where = f"line {found[1]}: " if found else "last line: " if place else ""
    said = re.sub(r"Cannot declare \('(.+)',\) twice", r"[\1] stands in the file twice", said)
    lines = text.split("\n")
    line = lines[int(found[1]) - 1] if found and int(found[1]) <= len(lines) else ""
    slip = next((f"; {say}" for looks, say in SLIPS if re.match(looks, line)), "")
    return f"{where}this is not TOML: {said[:1].lower()}{said[1:]}{slip}"
