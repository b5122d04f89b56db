"""Reading an address that somebody gave: within limits, and only where the public internet is meant."""

from __future__ import annotations

import http.client
import ipaddress
import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit

from fleet.refusal import Refused

SECONDS = 30.0
LARGEST = 10_000_000  # bytes
MOST_REDIRECTS = 5
REDIRECTS = (301, 302, 303, 307, 308)
SCHEMES = {"http": 80, "https": 443}
CHUNK = 65_536
# RFC 6052: an IPv4 address behind a translator; it has to be judged as what it leads to.
TRANSLATED = ipaddress.ip_network("64:ff9b::/96")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], list[str]]


@dataclass(frozen=True)
class Rules:
    """What may be read, and how much of it."""

    private: bool = False
    seconds: float = SECONDS
    largest: int = LARGEST  # bytes


@dataclass(frozen=True)
class Answer:
    """What an address answered; no body where it is what it was the last time."""

    body: bytes | None
    etag: str = ""
    last_modified: str = ""


def resolve(host: str, port: int) -> list[str]:
    """Return the numbers of a host, in the order in which the system would try them."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(one[4][0]) for one in found))


def is_public(number: str) -> bool:
    """Return whether a number leads to the public internet: nothing local, private, shared or reserved."""
    address: Address = ipaddress.ip_address(number.partition("%")[0])
    if isinstance(address, ipaddress.IPv6Address):
        inner = address.ipv4_mapped or address.sixtofour or (address.teredo or (None, None))[1]
        if inner is None and address in TRANSLATED:
            inner = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if inner is not None:
            return is_public(str(inner))
    return address.is_global and not address.is_multicast


def check_address(url: str) -> str:
    """Return an address in the form in which it is kept.

    Raises
    ------
    Refused
        Where it is not one of http or https, or carries a name and a password.
    """
    url = url.strip()
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise _no_address(f"not an address ({error})", url) from None
    if parts.scheme not in SCHEMES or not parts.hostname or port == 0:
        raise _no_address("not an address that is read", url)
    if parts.username or parts.password:
        raise _no_address("a name or a password within the address", parts.hostname)
    if len(url) > 2000 or not url.isascii() or any(letter.isspace() for letter in url):
        raise _no_address("not an address of up to 2,000 plain characters", url)
    return url


def _no_address(message: str, value: str) -> Refused:
    return Refused(message, column="address", value=value, accepted="http:// or https:// and a host")


def fetch(
    url: str, rules: Rules, etag: str = "", last_modified: str = "", resolve: Resolve = resolve
) -> Answer:
    """Read an address, following redirections, each of which is checked like the first.

    The name is looked up once for each step and the connection goes to the number that was checked, so that
    a name cannot mean another machine a moment later. All of it together has to be done within the time.

    Raises
    ------
    Refused
        With a sentence for the person who gave the address.
    """
    until = time.monotonic() + rules.seconds
    headers = {"Accept": "text/calendar, */*;q=0.1", "Accept-Encoding": "identity", "User-Agent": "almanac"}
    headers |= {"If-None-Match": etag} if etag else {}
    headers |= {"If-Modified-Since": last_modified} if last_modified else {}
    for _ in range(MOST_REDIRECTS + 1):
        step = _Step(check_address(url), rules, until, resolve)
        try:
            answer = step.ask(headers)
        except Refused:
            raise
        except TimeoutError:
            raise _slow(rules) from None
        except (OSError, http.client.HTTPException, ValueError) as error:
            if time.monotonic() >= until:
                raise _slow(rules) from None
            raise Refused(f"the address does not answer ({type(error).__name__}: {error})") from None
        if isinstance(answer, Answer):
            return answer
        url = urljoin(url, answer)
    raise Refused("the address leads from one to the next", accepted=f"at most {MOST_REDIRECTS} redirections")


def _slow(rules: Rules) -> Refused:
    return Refused("the address was too slow", accepted=f"an answer within {rules.seconds:g} seconds")


class _Step:
    """One request to one address."""

    line: socket.socket

    def __init__(self, url: str, rules: Rules, until: float, resolve: Resolve) -> None:
        parts = urlsplit(url)
        self.rules, self.until = rules, until
        self.secure, self.host = parts.scheme == "https", parts.hostname or ""
        self.port = parts.port or SCHEMES[parts.scheme]
        self.target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self.name = parts.netloc
        self.number = self._checked(resolve)

    def _checked(self, resolve: Resolve) -> str:
        """Return the number to speak to; where one of a name's numbers is not public, none is."""
        try:
            numbers = resolve(self.host, self.port)
        except (OSError, UnicodeError):
            raise Refused("nobody knows this host", column="address", value=self.host) from None
        if not numbers:
            raise Refused("nobody knows this host", column="address", value=self.host)
        if not self.rules.private and not all(map(is_public, numbers)):
            raise Refused("a host within a private network", column="address", value=self.host)
        return numbers[0]

    def ask(self, headers: dict[str, str]) -> Answer | str:
        """Return the answer, or the address to which it sends on."""
        self.line = socket.create_connection((self.number, self.port), timeout=self._left())
        # Each single read has its own time; all together are ended by the clock.
        guard = threading.Timer(self._left(), self._shut)
        guard.daemon = True
        guard.start()
        try:
            if self.secure:
                self._secure()
            connection = http.client.HTTPConnection(self.host, self.port)
            connection.sock = self.line
            connection.request("GET", self.target, headers={"Host": self.name, **headers})
            return self._read(connection.getresponse())
        finally:
            guard.cancel()
            self._shut()
            self.line.close()

    def _secure(self) -> None:
        """Speak TLS from here on; the name is checked, whatever number it led to."""
        context = ssl.create_default_context()
        secured = context.wrap_socket(self.line, server_hostname=self.host, do_handshake_on_connect=False)
        self.line = secured
        secured.do_handshake()

    def _shut(self) -> None:
        """End the connection, perhaps from another thread; it may have ended by itself."""
        try:
            self.line.shutdown(socket.SHUT_RDWR)
        except OSError:
            return

    def _read(self, response: http.client.HTTPResponse) -> Answer | str:
        if response.status in REDIRECTS and (there := response.headers.get("Location")):
            return there
        if response.status == 304:
            return Answer(None)
        if response.status != 200:
            raise Refused(f"the address answers {response.status} {response.reason}"[:200], accepted="200 OK")
        if response.headers.get("Content-Encoding", "identity").lower() != "identity":
            raise Refused("the answer is packed", accepted="plain text, as it was asked for")
        told = response.headers.get("Content-Length", "")
        if told.isdecimal() and int(told) > self.rules.largest:
            raise self._too_large()
        body = bytearray()
        while chunk := response.read(CHUNK):
            body += chunk
            if len(body) > self.rules.largest:
                raise self._too_large()
            self._left()
        # A body that ends early because the clock ended it is none.
        self._left()
        if told.isdecimal() and len(body) < int(told):
            raise Refused("the answer breaks off", accepted=f"{told} bytes")
        told_of = response.headers
        return Answer(bytes(body), told_of.get("ETag", "")[:200], told_of.get("Last-Modified", "")[:100])

    def _too_large(self) -> Refused:
        return Refused("the answer is too large", accepted=f"at most {self.rules.largest:,} bytes")

    def _left(self) -> float:
        """Return the seconds left."""
        left = self.until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        return left
