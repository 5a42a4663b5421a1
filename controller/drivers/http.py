"""One GET of one JSON document, from a server that may be slow, broken, lying or hostile.

The only user of requests. Whatever the other side does, `get_json` returns a `Page` or raises `HttpError`
with one sentence, in the time and the memory its caller allows. It follows no redirect, expands no compressed
body, checks the certificate of every https address, obeys no Retry-After (it passes the wish on) and reads no
proxy, no .netrc and no certificate bundle from the environment.

The time: requests bounds each wait on the socket, never their sum, so a server that drips a byte a second
holds a caller for ever. Here a timer shuts the connection down at the deadline, whatever is being read:
headers or body. Only finding the host can take longer: the resolver's own limit, and `CONNECT_S` for each of
its addresses.
"""

import json
import math
import re
import socket
import ssl
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from importlib.metadata import PackageNotFoundError, version
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError

CONNECT_S = 5.0
READ_S = 10.0
CHUNK_BYTES = 16 * 1024


class HttpError(OSError):
    """No usable answer, in one plain sentence. An OSError, as everything that goes wrong on a network is."""


@dataclass(frozen=True, slots=True)
class Page:
    """An answer, of any status.

    status: the HTTP status code.
    headers: names in lower case.
    body: the JSON document. None for 304, and for an error status whose body is no JSON.
    validators: request headers to ask next time whether this answer has changed; empty if it offers none.
    fresh_s: how long the server calls it fresh (Cache-Control, else Expires); None if it does not say.
    retry_after_s: how long it asks us to stay away; None if it does not say.
    """

    status: int
    headers: Mapping[str, str]
    body: object
    validators: Mapping[str, str]
    fresh_s: float | None
    retry_after_s: float | None


def get_json(url: str, params: Mapping[str, str], *, deadline_s: float, size_cap_bytes: int,
             validators: Mapping[str, str]) -> Page:
    """Ask for `url` once.

    url, params: an http or https address and what goes behind its question mark.
    deadline_s: the answer is complete within this time, or there is none.
    size_cap_bytes: the largest body that is read.
    validators: those of an earlier Page, for a conditional request; empty for a plain one.
    Raises HttpError.
    """
    request = _prepared(url, params, validators)
    host = urlsplit(url).hostname or url
    timeout = (min(CONNECT_S, deadline_s), min(READ_S, deadline_s))
    with _Cutter(deadline_s) as cutter, _Wire(cutter) as wire:
        try:
            with wire.send(request, stream=True, timeout=timeout, verify=True) as answer:
                return _page(answer, size_cap_bytes, cutter)
        except _Refused as error:
            raise HttpError(f"{host} {error}") from error
        except (OSError, HTTPError, ValueError) as error:
            if cutter.has_cut:
                raise HttpError(f"{host} did not finish its answer within {deadline_s:g} s") from error
            raise HttpError(_sentence(host, error)) from error


def strict_json(raw: bytes) -> object:
    """A JSON document as RFC 8259 has it: UTF-8, no NaN, each key once, numbers that a float can hold.

    Raises ValueError. Nesting deeper than the interpreter can follow is refused too.
    """
    try:
        return json.loads(raw.decode("utf-8"), parse_constant=_refuse_constant, parse_float=_finite,
                          object_pairs_hook=_each_key_once)
    except RecursionError:
        raise ValueError("nested too deep") from None


def user_agent() -> str:
    """Who is asking."""
    try:
        return f"seepward/{version('seepward')}"
    except PackageNotFoundError:
        return "seepward"


def _prepared(url: str, params: Mapping[str, str], validators: Mapping[str, str]) -> requests.PreparedRequest:
    headers = {"User-Agent": user_agent(), "Accept": "application/json", "Accept-Encoding": "identity",
               "Connection": "close"}
    try:
        request = requests.Request("GET", url, {**headers, **validators}, params=dict(params)).prepare()
        if urlsplit(url).scheme not in ("http", "https"):
            raise ValueError("it begins with neither http nor https")
        return request
    except ValueError as error:
        raise HttpError(f"{url!r} cannot be asked: {_one_line(error)}") from error


class _Refused(Exception):  # noqa: N818 - not an error of ours: the answer is refused
    """What is wrong with the answer: a clause that has the host for its subject."""


class _Cutter:
    """Shuts a connection down when its time is over.

    It holds a handle of its own, so that it can never hit a descriptor that meanwhile belongs to something
    else, and so that the reading thread finds its socket open as it left it, with nothing more to read.
    """

    def __init__(self, deadline_s: float) -> None:
        self.has_cut = False
        self._lock = threading.Lock()
        self._connection: HTTPConnection | None = None
        self._handle: socket.socket | None = None
        self._timer = threading.Timer(deadline_s, self._cut)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._timer.cancel()
        with self._lock:
            if self._handle is not None:
                self._handle.close()
                self._handle = None
        if self._connection is not None:
            self._connection.close()  # the library would keep it open until its memory is collected

    def watch(self, connection: HTTPConnection) -> None:
        """Take charge of a connection that has just been made."""
        self._connection = connection
        with self._lock:
            if self.has_cut:
                raise TimeoutError("the time was over before the connection stood")
            wire = connection.sock
            self._handle = socket.fromfd(wire.fileno(), wire.family, wire.type)

    def _cut(self) -> None:
        with self._lock:
            self.has_cut = True
            if self._handle is not None:
                with suppress(OSError):  # the other side was quicker: it is down already
                    self._handle.shutdown(socket.SHUT_RDWR)


class _Wire(HTTPAdapter):
    """The transport of requests, without its session's cookies, redirects and environment; all is watched."""

    def __init__(self, cutter: _Cutter) -> None:
        self._cutter = cutter
        super().__init__(max_retries=0)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def init_poolmanager(self, connections: int, maxsize: int, block: bool = False, **kwargs: Any) -> None:
        super().init_poolmanager(connections, maxsize, block, **kwargs)
        cutter = self._cutter

        class Plain(HTTPConnection):
            def connect(self) -> None:
                super().connect()
                cutter.watch(self)

        class Secure(HTTPSConnection):
            def connect(self) -> None:
                super().connect()
                cutter.watch(self)

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecurePool(HTTPSConnectionPool):
            ConnectionCls = Secure

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}


def _page(answer: requests.Response, size_cap_bytes: int, cutter: _Cutter) -> Page:
    headers = {name.lower(): value for name, value in answer.headers.items()}
    served = _http_date(headers.get("date", "")) or datetime.now(UTC)
    return Page(
        status=answer.status_code,
        headers=headers,
        body=_body(answer, headers, size_cap_bytes, cutter),
        validators=_validators(headers),
        fresh_s=_fresh_s(headers, served),
        retry_after_s=_retry_after_s(headers, served),
    )


def _body(answer: requests.Response, headers: Mapping[str, str], size_cap_bytes: int,
          cutter: _Cutter) -> object:
    """The document; of an error only if it happens to be one, since its status says enough."""
    if answer.status_code == 304:
        return None
    is_good = 200 <= answer.status_code < 300
    try:
        raw = _read(answer, headers, size_cap_bytes)
        if cutter.has_cut:
            raise TimeoutError("cut while reading")
        return strict_json(raw)
    except (_Refused, OSError, HTTPError, ValueError) as error:
        if not is_good:
            return None
        if isinstance(error, ValueError):
            kind = headers.get("content-type", "no type").partition(";")[0][:60]
            raise _Refused(f"sent something that is no valid JSON ({kind}): {_one_line(error)}") from error
        raise


def _read(answer: requests.Response, headers: Mapping[str, str], size_cap_bytes: int) -> bytes:
    coding = headers.get("content-encoding", "identity").strip().lower()
    if coding != "identity":
        raise _Refused(f"sent a body packed as {coding[:20]!r} although it was asked for a plain one")
    raw = bytearray()
    for chunk in answer.raw.stream(CHUNK_BYTES, decode_content=False):
        raw += chunk
        if len(raw) > size_cap_bytes:
            raise _Refused(f"sent more than {size_cap_bytes // 1024} KiB, which no forecast needs")
    return bytes(raw)


def _sentence(host: str, error: Exception) -> str:
    """What happened, from the innermost cause."""
    cause: BaseException = error
    while (inner := cause.__cause__ or cause.__context__) is not None:
        cause = inner
    if isinstance(cause, ssl.SSLCertVerificationError):
        return (f"the certificate of {host} was not accepted ({cause.verify_message}); "
                "a wrong clock on this machine, or a login page on the way, is the usual cause")
    if isinstance(cause, TimeoutError):
        return f"{host} went silent"
    return f"{host} gave no whole answer: {_one_line(cause)}"


def _one_line(error: BaseException) -> str:
    said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(said.split())[:160] or type(error).__name__


def _validators(headers: Mapping[str, str]) -> dict[str, str]:
    wanted = {"If-None-Match": headers.get("etag"), "If-Modified-Since": headers.get("last-modified")}
    return {name: value for name, value in wanted.items() if value}


def _fresh_s(headers: Mapping[str, str], served: datetime) -> float | None:
    """RFC 9111: max-age goes before Expires (5.2.2.1); an Expires that is no date means stale (5.3)."""
    if age := re.search(r"\bmax-age=(\d{1,9})\b", headers.get("cache-control", "")):
        return float(age.group(1))
    if "expires" not in headers:
        return None
    return _seconds_until(headers["expires"], served) or 0.0


def _retry_after_s(headers: Mapping[str, str], served: datetime) -> float | None:
    """RFC 9110 section 10.2.3: seconds or a date."""
    wish = headers.get("retry-after", "").strip()
    return float(wish) if re.fullmatch(r"[0-9]{1,9}", wish) else _seconds_until(wish, served)


def _seconds_until(text: str, served: datetime) -> float | None:
    """Counted from the server's own clock, so that ours may be wrong."""
    until = _http_date(text)
    return None if until is None else max(0.0, (until - served).total_seconds())


def _http_date(text: str) -> datetime | None:
    try:
        date = parsedate_to_datetime(text)
        return date.astimezone(UTC) if date.tzinfo else date.replace(tzinfo=UTC)
    except (ValueError, OverflowError):
        return None


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON number")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:20]} is too large a number")
    return number


def _each_key_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    document = dict(pairs)
    if len(document) < len(pairs):
        raise ValueError("a key appears twice")
    return document
