"""The way to the mail server: the standard library's SMTP, one message at a time, on a thread of its own.

A message that cannot be handed over is tried again, ever more slowly, for a day; then it is given up and said so. What
the server says for good (an unknown address, a wrong password) is not tried again. The connection is encrypted and the
server's certificate checked, unless the config says that the server is on this very machine.
"""

import contextlib
import queue
import smtplib
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, make_msgid
from typing import Literal

DEADLINE_S = 30.0
TRIED_AGAIN_S = (60.0, 300.0, 900.0, 3600.0)
GIVEN_UP_S = 24 * 3600.0
WAITING_MOST = 10


@dataclass(frozen=True, slots=True)
class Server:
    """Where mail is handed over, and how. password None: no login."""

    host: str
    port: int
    security: Literal["tls", "starttls", "none"]
    sender: str
    to: tuple[str, ...]
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None


Told = Callable[[str | None], None]
"""Called from the mail thread with what is wrong, in one sentence, or None when a message has gone."""


class Mailer:
    """Sends what is put into it, in order. told: hears of trouble and of its end."""

    def __init__(
        self, server: Server, told: Told, *, waits_s: tuple[float, ...] = TRIED_AGAIN_S, given_up_s: float = GIVEN_UP_S
    ) -> None:
        self._server, self._told = server, told
        self._waits_s, self._given_up_s = waits_s, given_up_s
        self._waiting: queue.Queue[EmailMessage | None] = queue.Queue(WAITING_MOST)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="mail", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def send(self, subject: str, text: str) -> bool:
        """Put a message into the row; False if too many wait already."""
        try:
            self._waiting.put_nowait(letter(self._server, subject, text))
        except queue.Full:
            return False
        return True

    def stop(self, within_s: float = 2.0) -> None:
        """End the thread; what still waits is lost."""
        self._stopping.set()
        if self._thread.is_alive():
            with contextlib.suppress(queue.Full):
                self._waiting.put_nowait(None)
            self._thread.join(within_s)

    def _work(self) -> None:
        while not self._stopping.is_set():
            message = self._waiting.get()
            if message is not None:
                self._deliver(message)

    def _deliver(self, message: EmailMessage) -> None:
        began_s, tries = time.monotonic(), 0
        while not self._stopping.is_set():
            try:
                hand_over(self._server, message)
                self._told(None)
                return
            except (OSError, smtplib.SMTPException, ValueError) as error:
                self._told(why(self._server, error))
                if for_good(error) or time.monotonic() - began_s > self._given_up_s:
                    return
            self._stopping.wait(self._waits_s[min(tries, len(self._waits_s) - 1)])
            tries += 1


def letter(server: Server, subject: str, text: str) -> EmailMessage:
    """A plain text message, UTF-8, with all that RFC 5322 asks for."""
    message = EmailMessage(policy=SMTP)
    message["Subject"] = " ".join(subject.split())
    message["From"], message["To"] = server.sender, ", ".join(server.to)
    message["Date"] = format_datetime(datetime.now(UTC))
    message["Message-ID"] = make_msgid(domain=server.sender.rpartition("@")[2])
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies to a machine
    message.set_content(text)
    return message


def hand_over(server: Server, message: EmailMessage) -> None:
    """One delivery. OSError or SMTPException if it did not come about."""
    context = ssl.create_default_context(cafile=server.ca_file) if server.security != "none" else None
    if server.security == "tls":
        smtp: smtplib.SMTP = smtplib.SMTP_SSL(server.host, server.port, timeout=DEADLINE_S, context=context)
    else:
        smtp = smtplib.SMTP(server.host, server.port, timeout=DEADLINE_S)
    with smtp:
        if server.security == "starttls":
            smtp.starttls(context=context)
        if server.username is not None and server.password is not None:
            smtp.login(server.username, server.password)
        smtp.send_message(message)


def for_good(error: Exception) -> bool:
    """Whether another try is of no use: the server has said no with a permanent code (RFC 5321: 5yz)."""
    match error:
        case smtplib.SMTPRecipientsRefused(recipients=refused):
            return all(code >= 500 for code, _ in refused.values())
        case smtplib.SMTPResponseException(smtp_code=code):
            return code >= 500
        case smtplib.SMTPNotSupportedError() | ssl.SSLCertVerificationError() | ValueError():
            return True
    return False


def why(server: Server, error: Exception) -> str:
    """What went wrong, in one sentence for a person, without the password."""
    match error:
        case smtplib.SMTPAuthenticationError():
            said = "it refuses name or password"
        case smtplib.SMTPRecipientsRefused():
            said = "it refuses the address of who is to get it"
        case smtplib.SMTPResponseException(smtp_code=code):
            said = f"it refuses with code {code}"
        case smtplib.SMTPNotSupportedError():
            said = "it does not offer what the config asks for (starttls, or a login)"
        case ssl.SSLCertVerificationError():
            said = "its certificate is not to be trusted; check host and ca_file"
        case TimeoutError():
            said = "it does not answer"
        case smtplib.SMTPServerDisconnected():
            said = "it hung up"
        case OSError():
            said = (error.strerror or "it cannot be reached").lower()
        case _:
            said = "the message does not suit it"
    return f"The digest cannot be sent by mail through {server.host}: {said}."
