"""A real mosquitto for tests: on loopback, on a free port, with nothing kept on disk.

Plain, with users and access list, or with TLS under an authority of its own. `Ear` is an independent client that
hears and says, so that our own link is never judged by itself.
"""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from controller.drivers.embedded_broker import mosquitto
from controller.drivers.mqtt import Address, Tls

HOST = "127.0.0.1"


def wait_for(condition: Callable[[], Any], what: str = "", within_s: float = 8.0) -> Any:
    """The condition's value as soon as it is true; AssertionError if it does not become so in time."""
    give_up = time.monotonic() + within_s
    while not (value := condition()):
        assert time.monotonic() < give_up, f"waited {within_s} s in vain: {what or condition}"
        time.sleep(0.005)
    return value


class Mosquitto:
    """A broker that can be started, stopped, killed, frozen and started again on the same port.

    users: name -> password; without them anybody may come in. acl: lines of an access list.
    tls: a folder made by `make_authority`.
    """

    def __init__(
        self, folder: Path, *, users: Mapping[str, str] | None = None, acl: str | None = None, tls: Path | None = None
    ) -> None:
        self.port = free_port()
        self.folder = folder
        self._tls = tls
        self._child: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} {HOST}", "persistence false", "set_tcp_nodelay true"]
        lines += ["log_dest stderr", "log_type error", "log_type warning"]
        if os.geteuid() == 0:
            lines.append("user root")  # else it drops its rights and cannot read the files of this test
        lines.append("allow_anonymous " + ("true" if users is None else "false"))
        if users is not None:
            lines.append(f"password_file {self._passwords(users)}")
        if acl is not None:
            (folder / "acl").write_text(acl, encoding="utf-8")
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder / 'acl'}")
        if tls is not None:
            lines += [f"cafile {tls / 'ca.crt'}", f"certfile {tls / 'broker.crt'}", f"keyfile {tls / 'broker.key'}"]
        (folder / "broker.conf").write_text("\n".join(lines) + "\n", encoding="utf-8")

    def _passwords(self, users: Mapping[str, str]) -> Path:
        path = self.folder / "passwords"
        path.write_text("".join(f"{name}:{word}\n" for name, word in users.items()), encoding="utf-8")
        path.chmod(0o600)
        subprocess.run(["mosquitto_passwd", "-U", str(path)], check=True, capture_output=True)
        return path

    def start(self) -> Self:
        program = mosquitto()
        assert program is not None, "these tests need mosquitto"
        with (self.folder / "broker.log").open("ab") as log:
            command = [program, "-c", str(self.folder / "broker.conf")]
            child = self._child = subprocess.Popen(command, stdout=log, stderr=log)
        wait_for(lambda: child.poll() is not None or _listens(self.port), "the broker to listen")
        assert child.poll() is None, (self.folder / "broker.log").read_text(encoding="utf-8")
        return self

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._child is not None:
            self._child.send_signal(signal.SIGCONT)
            self._child.send_signal(how)
            self._child.wait(5)
            self._child = None

    def freeze(self) -> None:
        assert self._child is not None
        self._child.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._child is not None
        self._child.send_signal(signal.SIGCONT)

    def address(
        self,
        protocol: Literal["5", "3.1.1"] = "5",
        username: str | None = None,
        password: str | None = None,
        ca: Path | None = None,
    ) -> Address:
        """How to reach it. ca: the authority to trust, if not its own."""
        tls = None if self._tls is None else Tls(str(ca or self._tls / "ca.crt"))
        return Address("localhost" if tls else HOST, self.port, protocol, username, password, tls)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class Ear:
    """A plain client: hears topics, says things, keeps everything it hears."""

    def __init__(
        self, broker: Mosquitto, *topics: str, username: str | None = None, password: str | None = None
    ) -> None:
        self.heard: list[paho.MQTTMessage] = []
        self._subscribed = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if username is not None:
            self._client.username_pw_set(username, password)
        self._client.on_socket_open = _undelayed
        self._client.on_message = lambda client, data, message: self.heard.append(message)
        self._client.on_subscribe = lambda *_: setattr(self, "_subscribed", True)
        self._client.connect(HOST, broker.port)
        self._client.loop_start()
        wait_for(self._client.is_connected, "the ear to be connected")
        if topics:
            self._client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics])
            wait_for(lambda: self._subscribed, "the ear to hear")

    def say(self, topic: str, payload: bytes | str, *, retain: bool = False, **properties: Any) -> None:
        """Publish and wait until the broker has it. properties: names of the library, as ResponseTopic."""
        wanted = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in properties.items():
            setattr(wanted, name, value)
        self._client.publish(topic, payload, 1, retain, wanted).wait_for_publish(5)

    def on(self, topic: str) -> list[bytes]:
        """The payloads heard on a topic."""
        return [bytes(message.payload) for message in list(self.heard) if message.topic == topic]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def make_authority(folder: Path) -> Path:
    """A certificate authority (ca.crt) and a certificate for localhost signed by it (broker.crt, broker.key)."""
    folder.mkdir(parents=True, exist_ok=True)
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n", encoding="ascii")

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], check=True, capture_output=True, cwd=folder)

    openssl("req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.crt", "-days", "2", "-subj", "/CN=Test authority")
    openssl("req", *key, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=localhost")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-out", "broker.crt", "-days", "2", "-extfile", "names")  # fmt: skip
    return folder


def _undelayed(client: paho.Client, data: Any, sock: Any) -> None:
    """Without it a small message waits for the acknowledgement of the one before it."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _listens(port: int) -> bool:
    try:
        socket.create_connection((HOST, port), timeout=0.2).close()
    except OSError:
        return False
    return True
