"""Asks to the living daemon, over the broker: sent, answered, printed."""

import argparse
from collections.abc import Mapping
from typing import Any

from controller.commands import CommandError
from controller.commands.common import print_json, wants_json
from controller.settings import ConfigError, Settings


def ask(arguments: argparse.Namespace, settings: Settings, wish: Mapping[str, Any]) -> int:
    """Send the wish, wait for the one answer and print it. Exit code 1 if it was refused."""
    from controller.drivers.mqtt import AskError, ask_over_mqtt

    try:
        answer = ask_over_mqtt(broker_of(settings), settings.site.id, wish)
    except (AskError, ValueError) as error:
        raise CommandError(str(error)) from None
    if wants_json(arguments):
        print_json(answer.model_dump(mode="json"))
        return 0 if answer.ok else 1
    if not answer.ok:
        raise CommandError(answer.said)
    print(answer.said)
    return 0


def broker_of(settings: Settings) -> Any:
    """The broker's address as the driver takes it. CommandError if the password cannot be read."""
    from controller.assembly import broker_address

    try:
        return broker_address(settings)
    except ConfigError as error:
        raise CommandError(*error.lines, code=2) from None


def zone_wish(do: str, settings: Settings, zone: str | None) -> dict[str, Any]:
    """An ask for a zone, or for the whole garden."""
    from controller.commands.common import zone_named

    return {"do": do, "zone": zone_named(settings.build(), zone).id if zone is not None else None}
