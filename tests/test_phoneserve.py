"""The form served to phones: only its own paths, kept for use without a network, and what each address allows."""

import base64
import hashlib
import http.client
import io
import json
import re
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from click.testing import CliRunner
from conftest import needs
from PIL import Image, ImageChops, ImageStat
from playwright.sync_api import Browser, Page, sync_playwright
from test_phone_used import until
from test_phoneform import content

from densite.cli.form import form, said_of
from densite.phoneform import FormError, icon, serve
from densite.phoneform.serve import FormServer, form_server, is_own_name, site

ELSEWHERE = "192.0.2.7"  # a documentation address (RFC 5737) that the browser is told to find on this machine
TRUSTED = "192.0.2.8"
PATHS = {"/", "/form.html", "/form.webmanifest", "/icon.svg", "/icon-192.png", "/icon-512.png", "/worker.js"}


@pytest.fixture(scope="module")
def parts():
    """What is served of a small study."""
    return site(content())


@contextmanager
def answering(parts, **options) -> Iterator[FormServer]:
    """Serve until the end of the block."""
    with form_server(parts, **options) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture(scope="module")
def server(parts) -> Iterator[FormServer]:
    """A server at this machine only."""
    with answering(parts) as running:
        yield running


def asked(server: FormServer, line: str, *, host: str = "localhost") -> tuple[int, str, bytes]:
    """Send a request line as it stands; returns status, head and body."""
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=5) as wire:
        wire.sendall(f"{line}\r\nHost: {host}\r\n\r\n".encode("latin-1"))
        answer = b"".join(iter(lambda: wire.recv(65536), b""))
    head, _, body = answer.partition(b"\r\n\r\n")
    return int(head.split()[1]), head.decode("latin-1"), body


# --- what has an address, and what has none


def test_only_its_own_parts_are_served(server, parts) -> None:
    """Each with its type; the form as a file has neither manifest nor worker; HEAD has no body."""
    assert set(parts) == PATHS
    for path, part in parts.items():
        status, head, body = asked(server, f"GET {path} HTTP/1.0")
        assert (status, body) == (200, part.body)
        assert f"Content-Type: {part.type}" in head and "nosniff" in head and "frame-ancestors 'none'" in head
    assert b"manifest" in parts["/"].body.partition(b"<style>")[0]
    assert b"rel=" not in parts["/form.html"].body.partition(b"<style>")[0]
    assert 'attachment; filename="form.html"' in asked(server, "GET /form.html HTTP/1.0")[1]
    assert asked(server, "HEAD /?source=home HTTP/1.0")[::2] == (200, b"")


@pytest.mark.parametrize(
    "line",
    [
        "GET /../../../../etc/passwd HTTP/1.0", "GET /%2e%2e/%2e%2e/etc/passwd HTTP/1.0", "GET //etc/passwd HTTP/1.0",
        "GET /icon.svg/../../study.toml HTTP/1.0", "GET /study.toml HTTP/1.0", "GET /register.gpkg HTTP/1.0",
        "GET /form.html%00 HTTP/1.0", "GET \\form.html HTTP/1.0", "GET file:///etc/passwd HTTP/1.0",
        "GET http://localhost/ HTTP/1.0", "GET /FORM.HTML HTTP/1.0", "GET * HTTP/1.0",
    ],
)  # fmt: skip
def test_nothing_else_has_an_address(server, line) -> None:
    """No folder is listed and no file is read: paths are keys of a table."""
    status, _, body = asked(server, line)
    assert (status, body) == (404, b"nothing here\n")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT"])
def test_it_takes_nothing_in(server, method) -> None:
    """There is nothing to send to."""
    assert asked(server, f"{method} / HTTP/1.0")[0] == 501


def test_a_page_from_elsewhere_cannot_read_it_by_a_name_of_its_own(server) -> None:
    """A foreign name that was pointed at this machine gets nothing; the machine's own names and addresses do."""
    for host in ("evil.example", "localhost.evil.example", "", "[::1", "127.0.0.1.evil.example"):
        assert asked(server, "GET / HTTP/1.0", host=host)[0] == 404, host
    for host in ("localhost:8044", "127.0.0.1", "[::1]:80", socket.gethostname(), "192.0.2.7"):
        assert is_own_name(host), host


def test_nothing_is_written_down_of_who_asked(server, capfd) -> None:
    """No log line, no server's version, no cookie; a connection that breaks off is no news."""
    _, head, _ = asked(server, "GET /?44.5123,-118.2210 HTTP/1.0")
    assert "Set-Cookie" not in head and "Server: densite\r\n" in head.replace("densite ", "densite")
    with socket.create_connection(("127.0.0.1", server.server_port)) as wire:
        wire.sendall(b"\x16\x03\x01 no request\r\n")
    asked(server, "GET / HTTP/1.0")
    assert capfd.readouterr() == ("", "")


def test_it_listens_at_this_machine_unless_told_otherwise(server, parts) -> None:
    """Bound to the loopback; another address is said as it is; a port in use is told."""
    assert server.server_address[0] == "127.0.0.1"
    assert server.address == f"http://localhost:{server.server_port}/"
    with pytest.raises(FormError, match=r"cannot listen at .*try another --port"):
        form_server(parts, port=server.server_port)
    with pytest.raises(FormError, match="is no address"):
        form_server(parts, address="den.example")
    everywhere = ".".join("0000")  # bound, never answered
    with form_server(parts, address=everywhere) as wide:
        assert wide.address == f"http://{socket.gethostname()}:{wide.server_port}/"


# --- with a certificate


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """Two certificates of our own: for an address that the browser trusts, and for one that it does not."""
    folder = tmp_path_factory.mktemp("certificates")
    for name, address in (("unknown", ELSEWHERE), ("trusted", TRUSTED)):
        subprocess.run(
            [needs("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem", "-days", "2", "-subj", "/CN=densite",
             "-addext", f"subjectAltName=IP:{address},DNS:localhost"],
            check=True, capture_output=True,
        )  # fmt: skip
    return folder


def test_https_with_a_certificate_of_ones_own(parts, certificates) -> None:
    """TLS 1.2 at least; a phone that opens a connection and says nothing holds up no other."""
    pair = {"certificate": certificates / "trusted.pem", "key": certificates / "trusted.key"}
    with answering(parts, **pair) as secure, socket.create_connection(("127.0.0.1", secure.server_port)):
        assert secure.address.startswith("https://localhost:")
        context = ssl.create_default_context(cafile=str(certificates / "trusted.pem"))
        wire = http.client.HTTPSConnection("localhost", secure.server_port, context=context, timeout=5)
        wire.request("GET", "/worker.js")
        assert wire.getresponse().read() == parts["/worker.js"].body
        assert wire.sock is None or wire.sock.version() in {"TLSv1.2", "TLSv1.3"}
        wire.close()


def test_a_certificate_that_cannot_be_used_is_told(parts, certificates, tmp_path) -> None:
    """No certificate, another's key, or a key with a password: no question at a prompt, no traceback."""
    locked = tmp_path / "locked.key"
    subprocess.run(["openssl", "ec", "-in", certificates / "trusted.key", "-aes128", "-passout", "pass:x",
                    "-out", locked], check=True, capture_output=True)  # fmt: skip
    for key in (certificates / "unknown.key", locked, tmp_path / "none.key"):
        with pytest.raises(FormError, match=r"trusted\.pem: no certificate with its key"):
            form_server(parts, certificate=certificates / "trusted.pem", key=key)
    with pytest.raises(FormError, match="give its certificate too"):
        form_server(parts, key=locked)


# --- the command


def test_the_command_says_where_it_answers_and_what_works_there(ondra, monkeypatch) -> None:
    """The address on stdout, what it is good for on stderr; Ctrl-C ends it without a complaint."""

    def interrupted(_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(FormServer, "serve_forever", interrupted)
    study, _ = ondra
    done = CliRunner().invoke(form, ["--serve", "--port", "0", "--study", str(study.folder)])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("http://localhost:") and "Only this machine" in done.stderr
    assert "Anyone in its network" not in done.stderr
    assert "no position" in said_of("http://192.0.2.7:8044/") and "trusts" in said_of("https://192.0.2.7:8044/")
    both = CliRunner().invoke(form, ["--serve", "-o", "x.html", "--study", str(study.folder)])
    assert both.exit_code == 2 and "give one of" in both.output


# --- in Chromium, by the address from which it was opened


@pytest.fixture(scope="module")
def chromium(certificates) -> Iterator[Browser]:
    """A browser that finds two addresses of a network on this machine, and trusts the certificate of one."""
    text = (certificates / "trusted.pem").read_text()
    public = subprocess.run([needs("openssl"), "x509", "-pubkey", "-noout"], input=text.encode(), check=True,
                            capture_output=True).stdout  # fmt: skip
    key = ssl.PEM_cert_to_DER_cert(public.decode().replace("PUBLIC KEY", "CERTIFICATE"))
    pin = base64.b64encode(hashlib.sha256(key).digest()).decode()
    flags = ["--no-sandbox", "--disable-gpu", f"--ignore-certificate-errors-spki-list={pin}",
             f"--host-resolver-rules=MAP {ELSEWHERE} 127.0.0.1, MAP {TRUSTED} 127.0.0.1"]  # fmt: skip
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=needs("chromium"), args=flags)
        yield browser
        browser.close()


GIVEN = """async () => {
  const soon = (promise) => Promise.race([promise, new Promise((done) => setTimeout(() => done("silent"), 4000))]);
  return {
    position: await soon(new Promise((done) => navigator.geolocation.getCurrentPosition(
      (found) => done("yes"), (error) => done(error.code === 1 ? "no" : String(error.code))))),
    store: await soon(new Promise((done) => {
      const asked = indexedDB.open("a trial");
      asked.onsuccess = () => done("yes"); asked.onerror = () => done("no");
    })),
    worker: !navigator.serviceWorker ? "no"
      : await soon(navigator.serviceWorker.register("worker.js").then(() => "yes", () => "no")),
    compass: "ondeviceorientationabsolute" in window ? "yes" : "no",
    secure: isSecureContext ? "yes" : "no",
  };
}"""


@pytest.mark.parametrize("origin", ["file", "localhost", "network", "unknown certificate", "trusted certificate"])
def test_what_each_address_gives(chromium, parts, certificates, tmp_path, origin) -> None:
    """The table in serve.py, line by line."""
    pair = {"unknown certificate": "unknown", "trusted certificate": "trusted"}.get(origin)
    secured = {"certificate": certificates / f"{pair}.pem", "key": certificates / f"{pair}.key"} if pair else {}
    (tmp_path / "form.html").write_bytes(parts["/form.html"].body)
    with answering(parts, **secured) as running:
        port = running.server_port
        address = {
            "file": (tmp_path / "form.html").as_uri(), "localhost": f"http://localhost:{port}/",
            "network": f"http://{ELSEWHERE}:{port}/", "unknown certificate": f"https://{ELSEWHERE}:{port}/",
            "trusted certificate": f"https://{TRUSTED}:{port}/",
        }[origin]  # fmt: skip
        # a person who goes past the browser's warning, as ignore_https_errors does
        context = chromium.new_context(permissions=["geolocation"], ignore_https_errors=pair == "unknown",
                                       geolocation={"latitude": 44.5, "longitude": -118.2, "accuracy": 7})  # fmt: skip
        page = context.new_page()
        page.goto(address)
        given = page.evaluate(GIVEN)
        assert given == WORKS[origin]
        if origin == "file":
            assert page.text_content("#offline") == ""
        else:
            said = {"yes": "also opens without a signal", "no": "opens only in the office's network"}[given["worker"]]
            page.wait_for_selector(f"#offline >> text={said}")
        context.close()


def works(row: str) -> dict[str, str]:
    """Read a line of yes and no."""
    return dict(zip(("secure", "position", "store", "worker", "compass"), row.split(), strict=True))


WORKS = {
    "file": works("yes yes yes no yes"), "localhost": works("yes yes yes yes yes"),
    "network": works("no no yes no no"), "unknown certificate": works("yes yes yes no yes"),
    "trusted certificate": works("yes yes yes yes yes"),
}  # fmt: skip


def test_the_table_in_the_docstring_is_the_one_that_was_tried() -> None:
    """What is written for people is what the browser gave."""
    lines = [line for line in str(serve.__doc__).splitlines() if "/" in line and line.rstrip().endswith("none")]
    said = [line.split()[-5:-1] for line in lines]
    assert said == [
        [row[name] for name in ("position", "store", "worker", "compass")] for row in WORKS.values()
    ]  # fmt: skip


KEPT_ANEW = """async (old) => { const names = await caches.keys(); return names.length === 1 && names[0] !== old; }"""


def opened(page: Page, address: str) -> None:
    """Open the form and wait until it is there."""
    page.goto(address)
    page.wait_for_selector("html[data-ready=yes]", state="attached")


def test_without_the_server_the_form_opens_and_a_new_one_replaces_it(chromium, parts) -> None:
    """The server is gone, the form and the entry are there; a form made anew comes with the next opening but one."""
    context = chromium.new_context()
    page = context.new_page()
    with answering(parts) as first:
        port, address = first.server_port, first.address
        opened(page, address)
        page.wait_for_selector("#offline >> text=also opens without a signal")
    opened(page, address)
    page.click("text=New den")
    page.fill("#at-observer input", "Q.V.")
    page.wait_for_function("() => document.getElementById('kept').textContent.includes(':')")
    opened(page, f"{address}?source=home")
    assert page.locator(".card").count() == 1
    with answering(site(content(label="Ondra Basin, next winter")), port=port):
        opened(page, address)
        page.evaluate("navigator.serviceWorker.getRegistration().then((one) => one.update())")
        old = re.search('"(densite form [0-9a-f]+)"', parts["/worker.js"].body.decode())[1]
        until(page, KEPT_ANEW, old)
    opened(page, address)
    assert page.inner_text(".kicker") == "Ondra Basin, next winter"
    assert page.locator(".card").count() == 1
    context.close()


def test_the_browser_takes_the_manifest_and_the_icon(chromium, server) -> None:
    """Chromium's own reading finds no fault; the PNG shows what the SVG shows."""
    context = chromium.new_context(viewport={"width": 192, "height": 192})
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda message: faults.append(message.text))
    opened(page, server.address)
    wire = context.new_cdp_session(page)
    found = wire.send("Page.getAppManifest")
    assert found["errors"] == [] and json.loads(found["data"])["name"] == content().label
    assert faults == []
    page.goto(f"{server.address}icon.svg")
    drawn = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    made = Image.open(io.BytesIO(icon.png(192)))
    assert made.size == (192, 192)
    apart = ImageStat.Stat(ImageChops.difference(drawn, made).convert("L"))
    assert apart.mean[0] < 3
    context.close()
