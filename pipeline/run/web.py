"""Requests to other machines, bounded: in time for the whole, in bytes, and in where an answer may refer us to.

The network is httpcore's; what is added is one deadline for looking up the name, connecting, encryption, head and body
together, and a look at the address before anything is sent to it. No fault shows the address asked, for it may be a
secret.
"""

from __future__ import annotations

import base64
import ipaddress
import queue
import socket
import ssl
import threading
import zlib
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import httpcore
import httpx

from pipeline.errors import PipelineFault
from pipeline.run.clock import Clock, SystemClock

CONNECT_TIMEOUT_S = 10.0  # for each address that a name has
MAX_REDIRECTS = 3
_REFERS = (301, 302, 303, 307, 308)
_FAILS = (httpcore.NetworkError, httpcore.TimeoutException, httpcore.ProtocolError, httpcore.UnsupportedProtocol)


class WebFault(PipelineFault):
    """There is no answer that can be used; the text says what was found and expected."""


class BadAddress(WebFault):
    """The address is none of the web."""


@dataclass(frozen=True)
class WebAnswer:
    """Status and body of an answer; the body unpacked, and not whole where it is longer than was allowed."""

    status: int
    body: bytes


def ask(
    method: str,
    address: str,
    *,
    within_s: float,
    max_bytes: int,
    headers: Mapping[str, str] | None = None,
    body: bytes = b"",
    whole: bool = True,
    redirect_hosts: Collection[str] = (),
    clock: Clock | None = None,
) -> WebAnswer:
    """Send a request and return its answer.

    Parameters
    ----------
    method : str
        A GET follows up to `MAX_REDIRECTS` redirects, on the same host or to `redirect_hosts`.
    address : str
        A user and password in it are sent to that host alone (RFC 7617).
    within_s : float
        Longest time for all of it. [s]
    max_bytes : int
        Longest body, packed and unpacked.
    headers : mapping of str to str, optional
    body : bytes
    whole : bool
        Whether a body that is too long or does not come to its end is a fault; else what came of it is returned.
    redirect_hosts : collection of str
        A name among them counts where it stands for a public address; an address in digits, whatever it is.
    clock : Clock, optional
        Its monotonic time is used; the machine's when not given.

    Raises
    ------
    WebFault
    """
    monotonic = (clock or SystemClock()).monotonic
    end_s = monotonic() + within_s
    first = at = _parsed(address)
    for _ in range(MAX_REDIRECTS + 1):
        network = _Network(lambda: end_s - monotonic(), inside=at.host == first.host or _in_digits(at.host))
        told = [("Accept-Encoding", "gzip"), ("User-Agent", "underturf"), *(headers or {}).items()]
        if at.host == first.host and first.userinfo:
            told.append(("Authorization", "Basic " + base64.b64encode(_unquoted(first)).decode()))
        try:
            with (
                httpcore.ConnectionPool(ssl_context=_encryption(), network_backend=network) as pool,
                pool.stream(method, str(at.copy_with(userinfo=b"")), headers=told, content=body) as answer,
            ):
                place = _header(answer, b"location")
                if method != "GET" or answer.status not in _REFERS or place is None:
                    return WebAnswer(answer.status, _body(answer, max_bytes, whole=whole))
        except httpcore.TimeoutException as err:
            raise WebFault(f"found no whole answer within {within_s:g} s ({type(err).__name__})") from err
        except _FAILS as err:
            raise WebFault(f"found no answer ({type(err).__name__}: {err}), expected one") from err
        at = _redirected(first, at, place, redirect_hosts)
    raise WebFault(f"found more than {MAX_REDIRECTS} redirects, expected an answer")


def _parsed(address: str) -> httpx.URL:
    try:
        found = httpx.URL(address)
    except httpx.InvalidURL as err:
        raise BadAddress(f"found {err}, expected a web address") from err
    if found.scheme not in ("http", "https") or not found.host:
        raise BadAddress("found no host, expected http://HOST/PATH or https://HOST/PATH")
    return found


def _in_digits(host: str) -> bool:
    try:
        return bool(ipaddress.ip_address(host))
    except ValueError:
        return False


def _unquoted(url: httpx.URL) -> bytes:
    return f"{url.username}:{url.password}".encode()


def _redirected(first: httpx.URL, at: httpx.URL, place: str, hosts: Collection[str]) -> httpx.URL:
    """Return where a redirect leads. Raises WebFault where that is none of the owner's choice."""
    try:
        to = at.join(place)
    except httpx.InvalidURL as err:
        raise WebFault(f"found a redirect to no address ({err})") from err
    if to.scheme not in ("http", "https") or (at.scheme == "https" and to.scheme == "http"):
        raise WebFault(f"found a redirect from {at.scheme} to {to.scheme}, expected https or the same")
    if to.host != first.host and to.host not in hosts:
        raise WebFault(f"found a redirect to the host {to.host}, expected it in redirect_hosts of the settings")
    if to.host == first.host and to.port != first.port:
        raise WebFault(f"found a redirect to port {to.port} of the same host, expected the port of the address")
    return to


def _body(answer: httpcore.Response, max_bytes: int, *, whole: bool) -> bytes:
    packed = (_header(answer, b"content-encoding") or "identity").lower()
    if packed not in ("identity", "gzip", "x-gzip"):
        if not whole:
            return b""
        raise WebFault(f"found a body packed as {packed[:20]}, expected gzip or none")
    unpacker = None if packed == "identity" else zlib.decompressobj(wbits=31)  # 31: with the head of gzip
    data, came = b"", 0
    try:
        for part in answer.iter_stream():
            came += len(part)
            data += part if unpacker is None else unpacker.decompress(part, max_bytes + 1 - len(data))
            if max(len(data), came) > max_bytes:
                if whole:
                    raise WebFault(f"found more than {max_bytes} bytes, expected at most that")
                return data[:max_bytes]
    except zlib.error as err:
        if whole:
            raise WebFault(f"found a damaged gzip body ({err})") from err
    except _FAILS:
        if whole:
            raise
    if whole and unpacker is not None and not unpacker.eof:
        raise WebFault("found a gzip body that is cut off")
    return data


def _header(answer: httpcore.Response, name: bytes) -> str | None:
    return next((value.decode("latin-1") for key, value in answer.headers if key.lower() == name), None)


@cache
def _encryption() -> ssl.SSLContext:
    return httpx.create_ssl_context()


class _Network(httpcore.NetworkBackend):
    """TCP until a deadline; to public addresses only, unless the host is the owner's choice (`inside`)."""

    def __init__(self, left_s: Callable[[], float], *, inside: bool) -> None:
        self._left_s, self._inside, self._network = left_s, inside, httpcore.SyncBackend()

    def connect_tcp(
        self, host: str, port: int, timeout: float | None = None, local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:  # fmt: skip
        fault: Exception = httpcore.ConnectError(f"the name {host} has no address")
        for one in self._addresses(host, port):
            if not self._inside and not ipaddress.ip_address(one.partition("%")[0]).is_global:
                fault = httpcore.ConnectError(f"{host} is the address {one} of this network")
                continue
            try:
                within_s = min(CONNECT_TIMEOUT_S, _positive(self._left_s()))
                return _BoundedStream(
                    self._network.connect_tcp(one, port, within_s, local_address, socket_options), self._left_s
                )
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as err:
                fault = err
        raise fault

    def _addresses(self, host: str, port: int) -> list[str]:
        """Look a name up in a thread of its own: the system's resolver takes no deadline."""
        found: queue.SimpleQueue[list[str] | OSError] = queue.SimpleQueue()

        def look_up() -> None:
            try:
                rows = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
                found.put([str(row[4][0]) for row in rows])
            except OSError as err:
                found.put(err)

        threading.Thread(target=look_up, name="look-up", daemon=True).start()
        try:
            rows = found.get(timeout=_positive(self._left_s()))
        except queue.Empty:
            raise httpcore.ConnectTimeout("the name was not looked up in time") from None
        if isinstance(rows, OSError):
            raise httpcore.ConnectError(str(rows)) from rows
        return list(dict.fromkeys(rows))


class _BoundedStream(httpcore.NetworkStream):
    """A connection every step of which ends with the deadline of the whole."""

    def __init__(self, stream: httpcore.NetworkStream, left_s: Callable[[], float]) -> None:
        self._stream, self._left_s = stream, left_s

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._stream.read(max_bytes, _positive(self._left_s()))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._stream.write(buffer, _positive(self._left_s()))

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        inner = self._stream.start_tls(ssl_context, server_hostname, _positive(self._left_s()))
        return _BoundedStream(inner, self._left_s)

    def get_extra_info(self, info: str) -> Any:
        return self._stream.get_extra_info(info)


def _positive(left_s: float) -> float:
    if left_s <= 0.0:
        raise httpcore.ReadTimeout("the time for the whole is over")
    return left_s
