"""A broker for the demo, on this machine only and gone afterwards.

mosquitto where it is installed (MQTT 5), else amqtt from the `demo` extra, which speaks 3.1.1 only. Nothing
is kept on disk, and no other machine can reach it. Not for a garden: anyone here may publish anything.
"""

import asyncio
import logging
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

HOST = "127.0.0.1"
READY_WITHIN_S = 10.0
LOOK = "look"
"""Stands for whatever mosquitto is installed."""


class BrokerError(Exception):
    """No broker could be started; the message is one sentence."""


def mosquitto() -> str | None:
    """The mosquitto program, or None. Debian puts it where ordinary users do not look."""
    places = [os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"]
    return shutil.which("mosquitto", path=os.pathsep.join(places))


class Broker:
    """A running broker as a context manager: `with Broker() as broker:` and then host, port, protocol.

    program: the mosquitto to start; None takes amqtt. Raises BrokerError on entering.
    """

    host = HOST

    def __init__(self, program: str | None = LOOK) -> None:
        found = mosquitto() if program == LOOK else program
        self.protocol: Literal["5", "3.1.1"] = "3.1.1" if found is None else "5"
        self.port = 0
        self._runner: _Process | _Thread = _Thread() if found is None else _Process(found)

    def __enter__(self) -> Self:
        self.port = _free_port()
        self._runner.start(self.port)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._runner.stop()


class _Process:
    """mosquitto as a child process with a configuration of three lines' worth."""

    def __init__(self, program: str) -> None:
        self._program = program
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._child: subprocess.Popen[bytes] | None = None

    def start(self, port: int) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="seepward-broker-")
        settings = Path(self._folder.name, "broker.conf")
        settings.write_text(
            f"listener {port} {HOST}\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
            "log_dest stderr\nlog_type error\n",
            encoding="ascii",
        )
        log = Path(self._folder.name, "broker.log")
        with log.open("wb") as sink:
            self._child = subprocess.Popen([self._program, "-c", str(settings)], stdout=sink, stderr=sink)
        child = self._child
        if not _answers(port, lambda: child.poll() is None):
            said = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
            self.stop()
            raise BrokerError(f"{self._program} does not start: {said[-1] if said else 'it says nothing'}.")

    def stop(self) -> None:
        if self._child is not None:
            self._child.terminate()
            try:
                self._child.wait(5)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
        if self._folder is not None:
            self._folder.cleanup()


class _Thread:
    """amqtt on an event loop in a thread of its own."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._over: asyncio.Event | None = None
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._port = 0

    def start(self, port: int) -> None:
        self._port = port
        self._thread.start()
        if not _answers(port, self._thread.is_alive):
            self.stop()
            raise BrokerError(f"The embedded broker does not start: {self._error or 'it does not answer'}.")

    def stop(self) -> None:
        over = self._over
        if over is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(over.set)
        self._thread.join(5)

    def _run(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as error:  # kept for the thread that waits in start()
            self._error = error
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        for talker in ("amqtt", "transitions"):
            logging.getLogger(talker).setLevel(logging.CRITICAL)
        try:
            from amqtt.broker import Broker as Amqtt
        except ImportError as error:
            raise BrokerError('install mosquitto, or amqtt with pip install "seepward[demo]"') from error
        # A client that hangs up in the middle is no news in a demo; amqtt leaves the exception to the loop.
        self._loop.set_exception_handler(lambda loop, context: None)
        self._over = asyncio.Event()
        broker = Amqtt(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{self._port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await broker.start()
        await self._over.wait()
        await broker.shutdown()


def _free_port() -> int:
    """A port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _answers(port: int, alive: Callable[[], bool]) -> bool:
    """Wait until something accepts connections there; False if whoever should is dead or takes too long."""
    give_up = time.monotonic() + READY_WITHIN_S
    while alive() and time.monotonic() < give_up:
        try:
            socket.create_connection((HOST, port), timeout=0.2).close()
        except OSError:
            time.sleep(0.02)
        else:
            return True
    return False
