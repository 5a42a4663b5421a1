"""A forecast server on loopback that answers by script, and a plausible Open-Meteo answer made from Hours.

`Reply` says how one answer goes; `ForecastServer` gives them out in order, the last one for ever, and keeps a
diary of what was asked. It speaks real HTTP over real sockets; its vices are the ones that servers have.
"""

import json
import threading
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self
from urllib.parse import parse_qs, urlsplit

from controller.core.forecast import Hour
from controller.sim.service import open_meteo_document


@dataclass(frozen=True)
class Reply:
    """One answer.

    body: bytes, or an iterable of them, sent as they come.
    delay_s: wait before the status line.
    header_drip_s: pause between two bytes of an endless header.
    body_drip_s: pause between two bytes of the body.
    length: the Content-Length it claims; None for the true one, "none" for none at all.
    """

    body: bytes | Iterable[bytes] = b""
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    delay_s: float = 0.0
    header_drip_s: float = 0.0
    body_drip_s: float = 0.0
    length: int | str | None = None


@dataclass(frozen=True)
class Request:
    """What came in. headers: names in lower case; query: each name once."""

    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]


class ForecastServer:
    """Use as a context. url: where it listens; asked: its diary; sent_bytes: what it could get rid of."""

    def __init__(self, *replies: Reply) -> None:
        self.replies = list(replies)
        self.asked: list[Request] = []
        self.sent_bytes = 0
        self.over = threading.Event()
        owner = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                owner._answer(self)

            def log_message(self, format: str, *args: object) -> None:
                """Quiet: the diary is in `asked`."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._server.block_on_close = False
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}/v1/forecast"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.over.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        parts = urlsplit(handler.path)
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        headers = {name.lower(): value for name, value in handler.headers.items()}
        self.asked.append(Request(parts.path, query, headers))
        reply = self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]
        handler.close_connection = True
        with suppress(BrokenPipeError, ConnectionResetError):  # the client has hung up, as it should
            self._send(handler, reply)

    def _send(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        self.over.wait(reply.delay_s)
        body = [reply.body] if isinstance(reply.body, bytes) else reply.body
        handler.send_response_only(reply.status)
        if "Date" not in reply.headers:
            handler.send_header("Date", handler.date_time_string())
        for name, value in reply.headers.items():
            handler.send_header(name, value)
        if reply.length != "none":
            claimed = len(reply.body) if isinstance(reply.body, bytes) else 0
            handler.send_header("Content-Length", str(claimed if reply.length is None else reply.length))
        if reply.header_drip_s:
            handler.flush_headers()
            handler.wfile.write(b"X-Drip: ")
            self._drip(handler, b"a" * 10_000, reply.header_drip_s)
            return
        handler.end_headers()
        for chunk in body:
            if reply.body_drip_s:
                self._drip(handler, chunk, reply.body_drip_s)
            else:
                handler.wfile.write(chunk)
                self.sent_bytes += len(chunk)

    def _drip(self, handler: BaseHTTPRequestHandler, data: bytes, pause_s: float) -> None:
        for byte in data:
            if self.over.wait(pause_s):
                return
            handler.wfile.write(bytes([byte]))
            self.sent_bytes += 1


def open_meteo_body(hours: Sequence[Hour], latitude_deg: float, longitude_deg: float) -> bytes:
    """The document as bytes, to be served."""
    return json.dumps(open_meteo_document(hours, latitude_deg, longitude_deg)).encode()


def is_equator_day(utc: datetime) -> bool:
    """A sun that needs no almanac: at 0° N 0° E it is up from 6 to 18 h UTC, all year round."""
    return 6 <= utc.hour < 18


def equator_hours(first: datetime, count: int) -> tuple[Hour, ...]:
    """Fair weather at 0° N 0° E: radiation from 6 to 18 h UTC, a shower at 15 h."""
    hours = []
    for start in (first + timedelta(hours=n) for n in range(count)):
        height = max(0.0, 6.0 - abs(start.hour + 0.5 - 12.0)) / 6.0
        hours.append(Hour(start, 22.0 + 12.0 * height, 80.0 - 40.0 * height, 2.0 + height, 900.0 * height,
                          1.2 if start.hour == 15 else 0.0, 0.8 if start.hour == 15 else 0.1))
    return tuple(hours)


NOON = datetime(2026, 7, 13, 12, 0, tzinfo=UTC)
MIDNIGHT = NOON.replace(hour=0)
