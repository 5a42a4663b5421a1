"""What systemd is told: ready, alive, stopping, and one line of state. Nothing happens without systemd.

One datagram a word, to the socket that $NOTIFY_SOCKET names (sd_notify(3)).
"""

import contextlib
import os
import socket
import time


class Supervisor:
    """The unit's supervisor, or nobody."""

    def __init__(self, address: str | None = None) -> None:
        address = os.environ.get("NOTIFY_SOCKET") if address is None else address
        # A leading @ stands for the zero byte of an abstract socket.
        self._address = "\0" + address[1:] if address and address.startswith("@") else address

    def ready(self) -> None:
        """Everything that was to be started has been."""
        self._tell("READY=1")

    def alive(self, state: str) -> None:
        """The deciding loop has come round; state is one line for `systemctl status`."""
        self._tell(f"WATCHDOG=1\nSTATUS={state}")

    def reloading(self) -> None:
        """On the way to another config; `ready` says when it is in force."""
        self._tell(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """On the way out."""
        self._tell("STOPPING=1")

    def _tell(self, words: str) -> None:
        if not self._address:
            return
        # A supervisor that does not listen is its own problem: water must not hang on it.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
            channel.sendto(words.encode(), self._address)
