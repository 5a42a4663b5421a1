"""Brokers for the tests of this folder."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.drivers import mqtt
from tests.broker import Mosquitto


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Try again after 0.05 to 0.2 s, not 1 to 10: the tests wait for it often."""
    monkeypatch.setattr(mqtt, "RETRY_MIN_S", 0.05)
    monkeypatch.setattr(mqtt, "RETRY_MAX_S", 0.2)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A plain broker, open to anybody."""
    with Mosquitto(tmp_path) as running:
        yield running
