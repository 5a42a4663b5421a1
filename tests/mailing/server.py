"""A small mail server on loopback, of RFC 5321 as much as a sender needs: with TLS, STARTTLS, login, and refusals."""

import base64
import socket
import ssl
import threading
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import Message
from email.policy import default
from pathlib import Path


@dataclass
class MailServer:
    """Takes mail until it is closed. refuse: a verb -> the answer it gets instead. hang_up: so many connections are
    closed at once first."""

    security: str = "none"
    certificate: Path | None = None
    username: str | None = None
    password: str | None = None
    refuse: dict[str, str] = field(default_factory=dict)
    hang_up: int = 0
    taken: list[Message] = field(default_factory=list)
    secure: list[bool] = field(default_factory=list)
    tries: int = 0

    def __enter__(self) -> "MailServer":
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._closing = False
        self.arrived = threading.Condition()
        threading.Thread(target=self._serve, name="mail server", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing = True
        self._socket.shutdown(socket.SHUT_RDWR)  # or a waiting accept would keep it open
        self._socket.close()

    def wait_for(self, count: int, within_s: float = 10.0) -> list[Message]:
        """The messages, once there are so many."""
        with self.arrived:
            assert self.arrived.wait_for(lambda: len(self.taken) >= count, within_s), f"{len(self.taken)} came"
        return self.taken

    def wait_for_tries(self, count: int, within_s: float = 10.0) -> None:
        with self.arrived:
            assert self.arrived.wait_for(lambda: self.tries >= count, within_s), f"{self.tries} tries"

    def _context(self) -> ssl.SSLContext:
        assert self.certificate is not None, "encryption needs a certificate"
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.certificate)
        return context

    def _serve(self) -> None:
        while not self._closing:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            with self.arrived:
                self.tries += 1
                self.arrived.notify_all()
            if self.tries <= self.hang_up:
                connection.close()
                continue
            try:
                if self.security == "tls":
                    connection = self._context().wrap_socket(connection, server_side=True)
                _Talk(self, connection).go()
            except (OSError, ValueError):
                connection.close()


class _Talk:
    def __init__(self, server: MailServer, connection: socket.socket) -> None:
        self._server, self._connection = server, connection
        self._file = connection.makefile("rb")
        self._secure = server.security == "tls"
        self._known = server.username is None

    def go(self) -> None:
        self._say("220 loopback ready")
        while line := self._file.readline():
            words = line.decode().strip().split()
            verb = words[0].upper() if words else ""
            if verb in self._server.refuse:
                self._say(self._server.refuse[verb])
            elif verb == "EHLO":
                self._offer()
            elif verb == "STARTTLS":
                self._say("220 go ahead")
                self._connection = self._server._context().wrap_socket(self._connection, server_side=True)
                self._file, self._secure = self._connection.makefile("rb"), True
            elif verb == "AUTH":
                self._login(words)
            elif verb == "DATA":
                self._take()
            elif verb == "QUIT":
                self._say("221 bye")
                return
            else:
                self._say("250 ok" if self._known or verb not in ("MAIL", "RCPT") else "530 who are you?")

    def _offer(self) -> None:
        server = self._server
        offers = ["250-loopback", *(["250-AUTH PLAIN"] if server.username else [])]
        offers += ["250-STARTTLS"] if server.security == "starttls" and not self._secure else []
        self._say("\r\n".join([*offers, "250 8BITMIME"]))

    def _login(self, words: list[str]) -> None:
        if len(words) == 2:
            self._say("334 ")
            words.append(self._file.readline().decode().strip())
        _, name, password = base64.b64decode(words[2]).decode().split("\0")
        self._known = (name, password) == (self._server.username, self._server.password)
        self._say("235 welcome" if self._known else "535 no")

    def _take(self) -> None:
        self._say("354 go on")
        lines = []
        while (line := self._file.readline()) not in (b".\r\n", b""):
            lines.append(line[1:] if line.startswith(b"..") else line)
        with self._server.arrived:
            self._server.taken.append(message_from_bytes(b"".join(lines), policy=default))
            self._server.secure.append(self._secure)
            self._server.arrived.notify_all()
        self._say("250 taken")

    def _say(self, text: str) -> None:
        self._connection.sendall(f"{text}\r\n".encode())
