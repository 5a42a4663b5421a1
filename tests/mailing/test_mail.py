"""The digest by mail: handed over to a real server on loopback, encrypted, once, and tried again when it must be."""

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from controller.drivers.mail import Mailer, Server
from tests.mailing.server import MailServer

pytestmark = pytest.mark.real
TEXT = "Horta da escola, terça-feira, 14 de julho\n\nPonha sombra: alfaces. Até 40 °C.\n.\nponto sozinho\n"


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Key and certificate for localhost in one file, signed by itself."""
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", folder / "key", "-out", folder / "cert"],
        check=True, capture_output=True,
    )  # fmt: skip
    both = folder / "both.pem"
    both.write_text((folder / "key").read_text() + (folder / "cert").read_text())
    return both


class Ear:
    """Hears what the mailer tells, and can be waited on."""

    def __init__(self) -> None:
        self.heard: list[str | None] = []
        self._news = threading.Condition()

    def __call__(self, why: str | None) -> None:
        with self._news:
            self.heard.append(why)
            self._news.notify_all()

    def wait_for(self, count: int) -> list[str | None]:
        with self._news:
            assert self._news.wait_for(lambda: len(self.heard) >= count, 10.0), self.heard
        return self.heard


@contextmanager
def mailer(server: MailServer, ear: Ear, **changes: object) -> Iterator[Mailer]:
    own = {"host": "localhost", "port": server.port, "security": server.security, "sender": "garden@example.org",
           "to": ("ana@example.org", "rui@example.org"), **changes}  # fmt: skip
    made = Mailer(Server(**own), ear, waits_s=(0.01,))  # type: ignore[arg-type]
    made.start()
    try:
        yield made
    finally:
        made.stop()


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_it_goes_out_encrypted_after_a_login_and_arrives_as_it_was_written(security: str, certificate: Path) -> None:
    ear = Ear()
    with (
        MailServer(security, certificate, "garden", "secret") as server,
        mailer(server, ear, ca_file=str(certificate), username="garden", password="secret") as post,
    ):
        assert post.send("Horta: calor até 40 °C", TEXT)
        (message,) = server.wait_for(1)
        assert ear.wait_for(1) == [None]
    assert server.secure == [True]
    assert message["Subject"] == "Horta: calor até 40 °C"
    assert (message["From"], message["To"]) == ("garden@example.org", "ana@example.org, rui@example.org")
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"]
    assert message["Message-ID"].endswith("@example.org>")
    assert message.get_content_type() == "text/plain"
    assert message.get_payload(decode=True) == TEXT.replace("\n", "\r\n").encode()


def test_a_certificate_that_nobody_vouches_for_is_refused_and_said_so(certificate: Path) -> None:
    ear = Ear()
    with MailServer("tls", certificate) as server, mailer(server, ear) as post:
        post.send("Heat", "text")
        (said,) = ear.wait_for(1)
    assert server.taken == []
    assert said is not None
    assert "certificate is not to be trusted" in said


def test_a_wrong_password_is_told_without_it_and_not_tried_again(certificate: Path) -> None:
    ear = Ear()
    with (
        MailServer("tls", certificate, "garden", "secret") as server,
        mailer(server, ear, ca_file=str(certificate), username="garden", password="guess") as post,
    ):
        post.send("Heat", "text")
        (said,) = ear.wait_for(1)
        post.send("Heat", "second")
        ear.wait_for(2)
        assert server.tries == 2, "one try for each message"
    assert said == "The digest cannot be sent by mail through localhost: it refuses name or password."


def test_a_server_that_hangs_up_is_tried_again_until_it_takes_the_message_once() -> None:
    ear = Ear()
    with MailServer(hang_up=3) as server, mailer(server, ear) as post:
        post.send("Heat", "text")
        server.wait_for(1)
        heard = ear.wait_for(4)
        assert len(server.taken) == 1
    assert heard[-1] is None
    assert all(said is not None and "hung up" in said for said in heard[:3])


def test_a_refused_address_is_said() -> None:
    ear = Ear()
    with MailServer(refuse={"RCPT": "550 no such person"}) as server, mailer(server, ear) as post:
        post.send("Heat", "text")
        (said,) = ear.wait_for(1)
    assert said is not None
    assert "refuses the address" in said


def test_a_full_disk_over_there_is_waited_for() -> None:
    ear = Ear()
    with MailServer(refuse={"DATA": "452 no room"}) as server, mailer(server, ear) as post:
        post.send("Heat", "text")
        server.wait_for_tries(3)
        server.refuse.clear()
        assert len(server.wait_for(1)) == 1


def test_nobody_listening_is_said_in_one_sentence() -> None:
    ear = Ear()
    with MailServer() as server:
        port = server.port
    with mailer(server, ear, port=port) as post:
        post.send("Heat", "text")
        first = ear.wait_for(1)[0]
    assert first == "The digest cannot be sent by mail through localhost: connection refused."


def test_a_line_break_in_the_subject_cannot_smuggle_in_a_header() -> None:
    ear = Ear()
    with MailServer() as server, mailer(server, ear) as post:
        post.send("Heat\r\nBcc: all@example.org", "text")
        (message,) = server.wait_for(1)
    assert message["Subject"] == "Heat Bcc: all@example.org"
    assert message["Bcc"] is None
