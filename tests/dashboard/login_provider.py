"""A tiny login of its own on this machine: who presses whose button is taken to be that person.

It speaks the authorization code flow of OpenID Connect Core 1.0 (sections 3.1 and 10): discovery, keys, a page with a
button a person, and signed identity tokens. Nothing of it is fit for use.
"""

from __future__ import annotations

import base64
import json
import secrets
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlencode, urlsplit

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

CLIENT = "menton-tests"
KEY = "only"


def _packed(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _number(value: int) -> str:
    return _packed(value.to_bytes((value.bit_length() + 7) // 8, "big"))


class _Provider(ThreadingHTTPServer):
    """The server, with the people it knows (e-mail -> whether the address was verified) and codes handed out."""

    daemon_threads = True

    def __init__(self, people: Mapping[str, bool]) -> None:
        super().__init__(("127.0.0.1", 0), _Answers)
        self.address = f"http://127.0.0.1:{self.server_port}"
        self.people = people
        self.private = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        self.codes: dict[str, tuple[str, str]] = {}

    def token(self, person: str, nonce: str) -> str:
        """A signed identity token."""
        now = int(time.time())
        claims = {"iss": self.address, "aud": CLIENT, "sub": person, "email": person, "nonce": nonce}
        claims |= {"email_verified": self.people[person], "iat": now, "exp": now + 3600}  # type: ignore[dict-item]
        parts = [_packed(json.dumps(part).encode()) for part in ({"alg": "RS256", "kid": KEY, "typ": "JWT"}, claims)]
        signature = self.private.sign(".".join(parts).encode(), padding.PKCS1v15(), hashes.SHA256())
        return ".".join([*parts, _packed(signature)])


class _Answers(BaseHTTPRequestHandler):
    server: _Provider

    def do_GET(self) -> None:
        asked = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(asked.query).items()}
        if asked.path == "/.well-known/openid-configuration":
            self._json(self._discovery())
        elif asked.path == "/keys":
            public = self.server.private.public_key().public_numbers()
            self._json(
                {"keys": [{"kty": "RSA", "use": "sig", "alg": "RS256", "kid": KEY}
                          | {"n": _number(public.n), "e": _number(public.e)}]}
            )  # fmt: skip
        elif asked.path == "/authorize" and "person" not in query:
            links = "".join(
                f'<p><a href="/authorize?{escape(urlencode(query | {"person": one}))}">{escape(one)}</a></p>'
                for one in self.server.people
            )
            self._send(f"<!doctype html><title>Who are you?</title><h1>Who are you?</h1>{links}".encode(), "text/html")
        elif asked.path == "/authorize":
            code = secrets.token_urlsafe(16)
            self.server.codes[code] = (query["person"], query.get("nonce", ""))
            self.send_response(302)
            back = urlencode({"code": code, "state": query["state"]})
            self.send_header("Location", f"{query['redirect_uri']}?{back}")
            self.end_headers()
        else:
            self.send_error(404)

    def do_POST(self) -> None:
        given = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
        known = self.server.codes.pop(given.get("code", [""])[0], None)
        if urlsplit(self.path).path != "/token" or known is None:
            self.send_error(400)
            return
        identity = self.server.token(*known)
        self._json({"access_token": secrets.token_urlsafe(16), "token_type": "Bearer", "id_token": identity})

    def _discovery(self) -> dict[str, object]:
        at = self.server.address
        return {
            "issuer": at,
            "authorization_endpoint": f"{at}/authorize",
            "token_endpoint": f"{at}/token",
            "jwks_uri": f"{at}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256"],
        }

    def _json(self, data: object) -> None:
        self._send(json.dumps(data).encode(), "application/json")

    def _send(self, body: bytes, kind: str) -> None:
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing is printed."""


@contextmanager
def login_provider(people: Mapping[str, bool]) -> Iterator[str]:
    """The login, while the block lasts; gives its address."""
    with _Provider(people) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        try:
            yield server.address
        finally:
            server.shutdown()
            thread.join()
