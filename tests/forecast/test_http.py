"""The HTTP driver against real sockets: every vice ends in a page or one sentence, in time and in bounds."""

import gzip
import os
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.drivers.http import HttpError, Page, get_json, strict_json
from tests.forecast.server import ForecastServer, Reply

CAP_BYTES = 256 * 1024


def ask(server: ForecastServer, *, deadline_s: float = 5.0,
        validators: Mapping[str, str] | None = None) -> Page:
    return get_json(server.url, {"a": "1"}, deadline_s=deadline_s, size_cap_bytes=CAP_BYTES,
                    validators=validators or {})


def refusal(reply: Reply, *, deadline_s: float = 5.0) -> str:
    with ForecastServer(reply) as server, pytest.raises(HttpError) as caught:
        ask(server, deadline_s=deadline_s)
    said = str(caught.value)
    assert "\n" not in said
    assert said.count("127.0.0.1") == 1, "the host, without the garden's place"
    return said


def test_good_answer_and_what_was_asked() -> None:
    headers = {"ETag": '"v1"', "Last-Modified": "Mon, 13 Jul 2026 03:04:26 GMT",
               "Cache-Control": "public, max-age=900"}
    with ForecastServer(Reply(b'{"x": 1.5}', headers=headers)) as server:
        page = ask(server)
    assert (page.status, page.body, page.fresh_s, page.retry_after_s) == (200, {"x": 1.5}, 900.0, None)
    assert page.validators == {"If-None-Match": '"v1"', "If-Modified-Since": "Mon, 13 Jul 2026 03:04:26 GMT"}
    (asked,) = server.asked
    assert asked.query == {"a": "1"}
    assert asked.headers["accept-encoding"] == "identity"
    assert asked.headers["user-agent"].startswith("seepward")
    assert "cookie" not in asked.headers


def test_validators_go_back_and_304_has_no_body() -> None:
    with ForecastServer(Reply(status=304, headers={"ETag": '"v1"'})) as server:
        page = ask(server, validators={"If-None-Match": '"v1"'})
    assert (page.status, page.body) == (304, None)
    assert server.asked[0].headers["if-none-match"] == '"v1"'


@pytest.mark.published(source="RFC 9110 (2022), section 10.2.3: Retry-After is a number of seconds or a date")
@pytest.mark.parametrize(("header", "wait_s"), [
    ("86400", 86400.0), ("Mon, 13 Jul 2026 04:04:26 GMT", 3600.0), ("Mon, 13 Jul 2026 02:00:00 GMT", 0.0),
    ("-5", None), ("soon", None), ("9" * 5000, None), ("Mon, 99 Jul 2026 02:00:00 GMT", None)])
def test_retry_after_is_passed_on_and_not_obeyed(header: str, wait_s: float | None) -> None:
    begun_s = time.monotonic()
    with ForecastServer(_Dated(429, {"Retry-After": header})) as server:
        page = ask(server)
    assert (page.status, page.retry_after_s) == (429, wait_s)
    assert len(server.asked) == 1
    assert time.monotonic() - begun_s < 2.0


@pytest.mark.published(source="RFC 9111 (2022), sections 5.2.2.1 and 5.3: max-age, Expires")
@pytest.mark.parametrize(("headers", "fresh_s"), [
    ({"Expires": "Mon, 13 Jul 2026 03:34:26 GMT"}, 1800.0), ({"Expires": "0"}, 0.0), ({}, None),
    ({"Expires": "Mon, 13 Jul 2026 03:34:26 GMT", "Cache-Control": "max-age=60"}, 60.0)])
def test_freshness_counts_from_the_servers_clock(headers: Mapping[str, str], fresh_s: float | None) -> None:
    with ForecastServer(_Dated(200, headers)) as server:
        assert ask(server).fresh_s == fresh_s


def test_an_error_keeps_its_reason_if_it_is_json() -> None:
    with ForecastServer(Reply(b'{"error":true,"reason":"no such variable"}', status=400)) as server:
        assert ask(server).body == {"error": True, "reason": "no such variable"}
    with ForecastServer(Reply(b"<html>Internal error</html>", status=500)) as server:
        assert (page := ask(server)).status == 500
        assert page.body is None


def test_a_redirect_is_a_page_and_nobody_goes_there() -> None:
    with ForecastServer(Reply(status=302, headers={"Location": "/elsewhere"})) as server:
        assert ask(server).status == 302
        assert [asked.path for asked in server.asked] == ["/v1/forecast"]


@pytest.mark.parametrize(("reply", "part"), [
    (Reply(b'{"x": 1}' * 20, body_drip_s=0.05), "within 0.3 s"),
    (Reply(b'{"x": 1}' * 20, body_drip_s=0.05, length="none"), "within 0.3 s"),
    (Reply(header_drip_s=0.05), "within 0.3 s"),
    (Reply(b"{}", delay_s=5.0), "within 0.3 s")],
    ids=["body drips", "body drips without a length", "headers drip", "silence"])
def test_slow_answers_end_at_the_deadline(reply: Reply, part: str) -> None:
    begun_s = time.monotonic()
    said = refusal(reply, deadline_s=0.3)
    took_s = time.monotonic() - begun_s
    assert part in said or "went silent" in said
    assert 0.2 < took_s < 1.5, took_s


@pytest.mark.parametrize(("reply", "part"), [
    (Reply(b'{"x": 1', length=400), "no whole answer"),
    (Reply(b'{"x": 1', length="none"), "no valid JSON"),
    (Reply(b"<html>Log in</html>", headers={"Content-Type": "text/html; charset=utf-8"}), "(text/html)"),
    (Reply(b""), "no valid JSON"),
    (Reply(b'{"x": NaN}'), "NaN"),
    (Reply(b'{"x": -Infinity}'), "Infinity"),
    (Reply(b'{"x": 1e999}'), "too large"),
    (Reply(b'{"x": 1, "x": 2}'), "twice"),
    (Reply(b'{"x": "\xff"}'), "utf-8"),
    (Reply(b"\xef\xbb\xbf{}"), "BOM"),
    (Reply('{"x": 1}'.encode("utf-16")), "no valid JSON"),
    (Reply(b"[" * 100_000), "nested too deep"),
    (Reply(b"1" * 5_000), "no valid JSON")],
    ids=["truncated", "truncated without a length", "HTML", "empty", "NaN", "Infinity", "1e999", "equal keys",
         "not UTF-8", "byte order mark", "UTF-16", "deep", "long number"])
def test_bad_bodies_are_refused_in_one_sentence(reply: Reply, part: str) -> None:
    assert part in refusal(reply)


def test_a_body_without_end_stops_at_the_cap() -> None:
    def megabytes() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 1_000_000

    with (ForecastServer(Reply(megabytes(), length=40_000_000)) as server,
          pytest.raises(HttpError, match="more than 256 KiB")):
        ask(server)
    assert server.sent_bytes < 39_000_000, "the connection was dropped, not drained"


@pytest.mark.parametrize("status", [302, 500])
def test_the_body_of_an_error_is_not_read_past_the_cap_either(status: int) -> None:
    def megabytes() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 1_000_000

    with ForecastServer(Reply(megabytes(), status=status, length=40_000_000,
                              headers={"Location": "/elsewhere"})) as server:
        assert ask(server).status == status
    assert server.sent_bytes < 39_000_000


def test_a_compressed_bomb_is_not_unpacked() -> None:
    bomb = gzip.compress(b" " * 40_000_000)
    assert len(bomb) < CAP_BYTES, "it would pass the size cap"
    assert "gzip" in refusal(Reply(bomb, headers={"Content-Encoding": "gzip"}))


def test_no_socket_and_no_timer_is_left_behind() -> None:
    def open_now() -> int:
        return len(os.listdir("/proc/self/fd")) + sum(
            isinstance(thread, threading.Timer) for thread in threading.enumerate())

    with ForecastServer(Reply(b"{}"), Reply(b"{}" * 9, body_drip_s=0.02), Reply(b"<html>")) as server:
        before = open_now()
        ask(server)
        errors = []
        for _ in range(20):
            with pytest.raises(HttpError) as caught:
                ask(server, deadline_s=0.1)
            errors.append(caught.value)
        end_s = time.monotonic() + 5.0
        while open_now() > before and time.monotonic() < end_s:
            time.sleep(0.01)  # the server's own ends are in this process too, and it needs a moment
        assert open_now() <= before, f"although {len(errors)} errors are still held"


def test_nobody_listens() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(HttpError, match="refused"):
        get_json(f"http://127.0.0.1:{port}/", {}, deadline_s=2.0, size_cap_bytes=CAP_BYTES, validators={})


@pytest.mark.parametrize("url", ["", "nonsense", "ftp://127.0.0.1/x", "http://", "file:///etc/passwd",
                                 "http://[::1", "http://127.0.0.1:99999/", "http://a..b/"])
def test_an_address_that_is_none(url: str) -> None:
    with pytest.raises(HttpError):
        get_json(url, {}, deadline_s=2.0, size_cap_bytes=CAP_BYTES, validators={})


def test_not_http_at_all() -> None:
    with _raw_server(b"SSH-2.0-OpenSSH_9.2\r\n") as port, pytest.raises(HttpError, match="no whole answer"):
        get_json(f"http://127.0.0.1:{port}/", {}, deadline_s=2.0, size_cap_bytes=CAP_BYTES, validators={})


def test_an_endless_run_of_interim_answers_ends_at_the_deadline() -> None:
    begun_s = time.monotonic()
    with _raw_server(b"HTTP/1.1 100 Continue\r\n\r\n", again=True) as port, pytest.raises(HttpError):
        get_json(f"http://127.0.0.1:{port}/", {}, deadline_s=0.3, size_cap_bytes=CAP_BYTES, validators={})
    assert time.monotonic() - begun_s < 2.0


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the openssl command to make a certificate")
def test_a_certificate_that_nobody_vouches_for(tmp_path: Path) -> None:
    key, certificate = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
                    "-nodes", "-keyout", key, "-out", certificate, "-days", "1", "-subj", "/CN=localhost",
                    "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"], check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    with ForecastServer(Reply(b"{}")) as server:
        server._server.socket = context.wrap_socket(server._server.socket, server_side=True)
        with pytest.raises(HttpError, match=r"certificate of 127\.0\.0\.1 was not accepted.*clock"):
            get_json(server.url.replace("http:", "https:"), {}, deadline_s=5.0, size_cap_bytes=CAP_BYTES,
                     validators={})
        assert server.asked == []


@given(st.binary(max_size=60))
def test_strict_json_raises_nothing_but_value_error(raw: bytes) -> None:
    try:
        strict_json(raw)
    except ValueError:
        return
    raw.decode("utf-8")


def _Dated(status: int, headers: Mapping[str, str]) -> Reply:  # noqa: N802
    return Reply(b"{}", status=status, headers={"Date": "Mon, 13 Jul 2026 03:04:26 GMT", **headers})


class _raw_server:  # noqa: N801 - reads as a function
    """Sends bytes to whoever connects; yields its port."""

    def __init__(self, data: bytes, *, again: bool = False) -> None:
        self._data, self._again = data, again
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> int:
        self._thread.start()
        port: int = self._listener.getsockname()[1]
        return port

    def __exit__(self, *_: object) -> None:
        self._thread.join(5.0)
        self._listener.close()

    def _serve(self) -> None:
        peer, _ = self._listener.accept()
        with peer:
            try:
                peer.recv(4096)
                peer.sendall(self._data)
                while self._again:
                    time.sleep(0.005)
                    peer.sendall(self._data)
            except OSError:
                pass  # the client has hung up
