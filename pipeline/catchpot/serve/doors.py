"""Who is let in: by host name, by token, by origin; and what every answer carries."""

from __future__ import annotations

import hashlib
import hmac
import html
import ipaddress
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

COOKIE = "catchpot"
LEAST_TOKEN = 20
"""Characters of a token at least."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_META = re.compile(rb'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')


@dataclass(frozen=True)
class Doors:
    """The rules of one server. host: the address it listens on. token: asked of everybody, where there is one.

    names: further host names under which it may be asked. secret: this server's own, new at every start.
    """

    host: str
    port: int
    token: str = ""
    names: tuple[str, ...] = ()
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    def host_known(self, asked: str) -> bool:
        """Whether a request names this server: else a page elsewhere has had its own name point here.

        >>> Doors("127.0.0.1", 8000).host_known("localhost:8000"), Doors("127.0.0.1", 8000).host_known("evil.example")
        (True, False)
        """
        try:
            parts = urlsplit(f"//{asked}")
            name, port = (parts.hostname or "").lower(), parts.port or 80
        except ValueError:
            return False
        if parts.netloc != asked or "@" in asked or (port != self.port and name not in self.names):
            return False
        own = {self.host.lower(), *self.names}
        if loopback(self.host):
            own |= {"localhost", "127.0.0.1", "::1"}
        elif wildcard(self.host):
            # Any address of this machine; a name only where it was given.
            return name in own or _address(name)
        return name in own

    def cookie(self) -> str:
        """What shows that the token was given; of no use after this server has ended."""
        return hmac.new(self.secret, b"let in\0" + self.token.encode(), hashlib.sha256).hexdigest()

    def let_in(self, authorization: str, cookie: str) -> bool:
        """Whether a request may see anything."""
        if not self.token:
            return True
        given = authorization.removeprefix("Bearer ") if authorization.startswith("Bearer ") else ""
        return self.is_token(given) or same(cookie, self.cookie())

    def is_token(self, given: str) -> bool:
        """Whether this is the token."""
        return bool(self.token) and same(given, self.token)

    @property
    def form_token(self) -> str:
        """What every form holds and gives back: no page elsewhere can know it."""
        return hmac.new(self.secret, b"form", hashlib.sha256).hexdigest()

    def own_form(self, headers: Mapping[str, str], given: str) -> bool:
        """Whether a form came from a page of this server: by origin and by the token in it."""
        origin, host = headers.get("origin"), headers.get("host", "")
        if origin is not None:
            at_home = urlsplit(origin).netloc == host and urlsplit(origin).scheme in ("http", "https")
        else:
            at_home = headers.get("sec-fetch-site") == "same-origin"
        crossed = headers.get("sec-fetch-site", "same-origin") != "same-origin"
        return at_home and not crossed and same(given, self.form_token)


def same(given: str, wanted: str) -> bool:
    """Whether two texts are the same, in a time that tells nothing."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


def loopback(host: str) -> bool:
    """Whether an address is of this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def wildcard(host: str) -> bool:
    """Whether an address stands for all of this machine's."""
    return host in ("0.0.0.0", "::", "")


def _address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def policy_of(page: bytes) -> str:
    """The policy a page states, to be sent as a header as well; nothing at all where it states none."""
    found = _META.search(page[:4000])
    return html.unescape(found[1].decode()) + "; frame-ancestors 'none'" if found else NOTHING


__all__ = ["COOKIE", "HEADERS", "LEAST_TOKEN", "NOTHING", "Doors", "loopback", "policy_of", "same", "wildcard"]
