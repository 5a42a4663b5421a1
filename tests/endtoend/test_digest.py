"""The day's message, for real: out of the daemon, over a real broker and to a real mail server on loopback, once."""

import json
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.broker import wait_for
from tests.endtoend.rig import SITE, Rig
from tests.mailing.server import MailServer

pytestmark = pytest.mark.real


def tables(port: int) -> str:
    """The message is due since a minute ago; the quiet hours are far from now."""
    now = datetime.now(UTC).replace(microsecond=0)
    at = max(now - timedelta(minutes=1), now.replace(hour=0, minute=0, second=0))
    quiet = now + timedelta(hours=12)
    return f"""
[digest]
at = {at:%H:%M:%S}
quiet = {{ from = {quiet:%H:%M:%S}, until = {quiet + timedelta(minutes=1):%H:%M:%S} }}

[digest.mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "garden@example.org"
to = ["gardener@example.org"]
"""


def told(rig: Rig) -> list[dict[str, Any]]:
    return [json.loads(m.payload) for m in list(rig.ear.heard) if m.topic == f"seepward/{SITE}/digest" and m.payload]


def test_the_days_message_goes_out_over_mqtt_and_by_mail_and_once_only(tmp_path: Path) -> None:
    with MailServer() as server, Rig(tmp_path, tables=tables(server.port)) as rig:
        rig.start()
        rig.wait_ready()
        (message,) = wait_for(lambda: told(rig), "the message on its topic", 20)
        (mail,) = server.wait_for(1, 20.0)
        assert {"no-planting", "shade"} <= set(message["jobs"])
        assert mail["Subject"] == message["subject"]
        assert mail["To"] == "gardener@example.org"
        text = mail.get_content().replace("\r\n", "\n")  # type: ignore[attr-defined]
        assert text == message["text"]
        assert "Stop planting and transplanting." in text
        assert "seepward jobs done shade" in text

        assert rig.stop(signal.SIGTERM) == 0
        rig.start()
        wait_for(lambda: "ready" in str(rig.shown("status")), "the daemon to be ready again", 20)
        assert rig.ask("job-done", job="shade")["ok"]
        assert len(told(rig)) == 1, "a restart in the same hour tells nothing twice"
        assert len(server.taken) == 1
        assert rig.stop(signal.SIGTERM) == 0
