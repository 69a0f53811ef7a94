"""The phone form served from this machine, so that a phone can take it along before the crew leaves.

What Debian's Chromium (tried with 156) gives a form by the address from which it was opened; tests/test_phoneserve.py
tries each line but the last column:

====================================================  ========  =====  ======  =======  =====
opened from                                           position  store  worker  compass  share
====================================================  ========  =====  ======  =======  =====
file:///.../form.html                                 yes       yes    no      yes      none
http://localhost:8044/                                yes       yes    yes     yes      none
http://192.0.2.7:8044/ (the office's network)         no        yes    no      no       none
https://192.0.2.7:8044/, warning passed by hand       yes       yes    no      yes      none
https://192.0.2.7:8044/, certificate trusted          yes       yes    yes     yes      none
====================================================  ========  =====  ======  =======  =====

- position: the browser asks the person; at a file it asks at each opening in a browser of its own profile.
- store: IndexedDB. It belongs to the address: what was written at one is not seen at another, and all files share one
  (the form's store carries the study's id). ``navigator.storage.persist()`` was refused here at every address.
- worker: the service worker that keeps the form, so that the address opens without a network. It must be fetched over
  a connection that the phone trusts; passing the warning is not enough.
- compass: whether events that know north can come at all; whether the phone has a compass only it can say.
- share: Chromium on Linux has no share sheet at any address (trial, no test). By the Web Share specification it needs
  a secure context, so on a phone not ``http://192.0.2.7``; where there is none the form saves a file.

Not tried: phones. By the specifications (Secure Contexts, Geolocation, Service Workers) the same addresses are secure
there; how an Android or iOS browser opens an HTML file out of its downloads differs by its version, so try it on the
crew's own phones before leaving.
"""

from __future__ import annotations

import hashlib
import ipaddress
import json
import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socketserver import TCPServer
from types import MappingProxyType
from urllib.parse import urlsplit

from densite.phoneform import icon
from densite.phoneform.content import FormContent
from densite.phoneform.form import FormError, render
from densite.phoneform.rules import browser_text
from densite.phoneform.wording import shipped

MANIFEST, WORKER = "form.webmanifest", "worker.js"
PATIENCE_S = 15  # a phone that falls silent in the middle of a request holds nobody up
HEADERS = MappingProxyType({
    "Cache-Control": "no-cache",  # the phone asks again, and learns of a form that was made anew
    "Content-Security-Policy": "frame-ancestors 'none'",  # what a policy inside a page cannot say
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(self), camera=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that is served: its media type and its bytes; ``saved_as`` makes the browser save it."""

    type: str
    body: bytes
    saved_as: str = ""


def site(
    content: FormContent, *, language: str = "en", words: Mapping[str, Mapping[str, str]] | None = None
) -> Mapping[str, Part]:
    """Return all that is served, by path; nothing else has an address.

    Parameters
    ----------
    content : FormContent
        The study's part of the form.
    language : str
        Code of the language in which it opens.
    words : mapping, optional
        Words by language code; those shipped by default.

    Returns
    -------
    mapping of str to Part
        ``/`` is the form that a phone keeps, ``/form.html`` the form as a file to save.

    Raises
    ------
    FormError
        There are no words in that language.
    """
    known = shipped() if words is None else words
    form = render(content, language=language, words=known, manifest=MANIFEST, worker=WORKER)
    file = render(content, language=language, words=known)
    parts = {
        "/": Part("text/html; charset=utf-8", form.encode()),
        f"/{MANIFEST}": Part("application/manifest+json", _manifest(content.label, language).encode()),
        "/icon.svg": Part("image/svg+xml", icon.svg().encode()),
        **{f"/icon-{side}.png": Part("image/png", icon.png(side)) for side in (192, 512)},
    }
    return MappingProxyType({
        **parts,
        f"/{WORKER}": Part("text/javascript; charset=utf-8", _worker(parts).encode()),
        "/form.html": Part("text/html; charset=utf-8", file.encode(), saved_as="form.html"),
    })  # fmt: skip


def _manifest(label: str, language: str) -> str:
    icons = [{"src": "icon.svg", "sizes": "any", "type": "image/svg+xml"}] + [
        {"src": f"icon-{side}.png", "sizes": f"{side}x{side}", "type": "image/png", "purpose": "any maskable"}
        for side in (192, 512)
    ]
    told = {"id": "./", "name": label, "short_name": label[:12].strip() or "densite", "lang": language,
            "start_url": "./", "scope": "./", "display": "standalone", "background_color": icon.GROUND,
            "theme_color": icon.GROUND, "icons": icons}  # fmt: skip
    return json.dumps(told, ensure_ascii=False, indent=1)


def _worker(kept: Mapping[str, Part]) -> str:
    """Return the service worker; it names what it keeps after its content, so that a form made anew replaces it."""
    digest = hashlib.sha256(b"".join(part.body for part in kept.values())).hexdigest()[:16]
    head = {"name": f"densite form {digest}", "paths": [f".{path}" for path in kept]}
    text = browser_text(WORKER)
    return f"const KEPT = {json.dumps(head)};\n{text}"


class FormServer(ThreadingHTTPServer):
    """A server of the parts of one form. It reads no file, writes no log and knows no other path."""

    daemon_threads = True

    def __init__(self, parts: Mapping[str, Part], address: str, port: int) -> None:
        self.parts = parts
        self.secure = False
        self.address_family = socket.AF_INET6 if ":" in address else socket.AF_INET
        super().__init__((address, port), _Answer)

    @property
    def address(self) -> str:
        """The address to open on this machine, or on another one where it listens beyond this one."""
        host, port = self.server_address[:2]
        given = str(host if isinstance(host, str) else host.decode())
        if ipaddress.ip_address(given).is_unspecified:
            given = socket.gethostname()
        shown = "localhost" if given == "127.0.0.1" else f"[{given}]" if ":" in given else given
        return f"http{'s' if self.secure else ''}://{shown}:{port}/"

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing of a connection that was broken off: it is the phone's affair, and no log is kept."""

    def server_bind(self) -> None:
        """Bind without asking any name server what this machine is called."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])


class _Answer(BaseHTTPRequestHandler):
    """Answers GET and HEAD for the known paths."""

    server: FormServer
    server_version, sys_version, timeout = "densite", "", PATIENCE_S

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def _answer(self, *, with_body: bool) -> None:
        part = self.server.parts.get(self.path.partition("?")[0]) if is_own_name(self.headers.get("Host", "")) else None
        if part is None:
            part, status = Part("text/plain; charset=utf-8", b"nothing here\n"), 404
        else:
            status = 200
        self.send_response(status)
        for name, value in (*HEADERS.items(), ("Content-Type", part.type), ("Content-Length", str(len(part.body)))):
            self.send_header(name, value)
        if part.saved_as:
            self.send_header("Content-Disposition", f'attachment; filename="{part.saved_as}"')
        self.end_headers()
        if with_body:
            self.wfile.write(part.body)

    def log_message(self, format: str, *args: object) -> None:
        """Keep no log: who opened the form, when and from where is nobody's business."""


def is_own_name(host: str) -> bool:
    """Say whether a request names this machine; a page from elsewhere that points its own name here does not.

    Parameters
    ----------
    host : str
        Value of the Host header: name or address, with or without a port.

    Returns
    -------
    bool
    """
    try:
        name = (urlsplit(f"//{host}").hostname or "").removesuffix(".").lower()
    except ValueError:
        return False
    own = socket.gethostname().lower()
    if name in {"localhost", own, own.partition(".")[0], f"{own.partition('.')[0]}.local"}:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def form_server(
    parts: Mapping[str, Part],
    *,
    address: str = "127.0.0.1",
    port: int = 0,
    certificate: Path | None = None,
    key: Path | None = None,
) -> FormServer:
    """Return a server that has its port; ``serve_forever()`` answers.

    Parameters
    ----------
    parts : mapping of str to Part
        From :func:`site`.
    address : str
        Address of this machine to listen at: only itself by default, ``0.0.0.0`` for all of its networks.
    port : int
        0 for a free one.
    certificate, key : Path, optional
        PEM files of a certificate and its private key: https. The key may stand in the certificate's file.

    Returns
    -------
    FormServer

    Raises
    ------
    FormError
        The address or port cannot be had, or the certificate cannot be read.
    """
    if key and not certificate:
        raise FormError(f"{key} is a key; give its certificate too")
    secured = _secured(certificate, key) if certificate else None
    try:
        server = FormServer(parts, str(ipaddress.ip_address(address.replace("localhost", "127.0.0.1"))), port)
    except ValueError:
        raise FormError(f"'{address}' is no address; expected one such as 127.0.0.1 or 192.168.1.20") from None
    except OSError as error:
        raise FormError(f"cannot listen at {address} port {port}: {error.strerror}; try another --port") from None
    if secured:
        server.secure = True
        # the handshake waits for the thread of its own connection, so that a silent phone holds up no other
        server.socket = secured.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    return server


def _secured(certificate: Path, key: Path | None) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key, password=_no_password)
    except (OSError, ValueError) as error:
        raise FormError(f"{certificate}: no certificate with its key in PEM ({error})") from None
    return context


def _no_password() -> str:
    raise ValueError("the key asks for a password: give one without, readable by you alone")
