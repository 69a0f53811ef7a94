"""A file server on the loopback that answers requests for parts of files, as object stores do."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import quote, unquote


class Files(BaseHTTPRequestHandler):
    """Files of the folder given on the command line."""

    protocol_version = "HTTP/1.1"

    def do_HEAD(self) -> None:
        """Tell how long a file is."""
        self.do_GET()

    def do_GET(self) -> None:
        """Send a file or the part of it that is asked for."""
        path = Path(sys.argv[1], unquote(self.path).lstrip("/"))
        content = path.read_bytes() if path.is_file() else b""
        part = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        start, stop = 0, len(content)
        if content and part:
            start, stop = int(part[1]), min(stop, int(part[2] or stop) + 1)
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {start}-{stop - 1}/{len(content)}")
        else:
            self.send_response(200 if content else 404)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(stop - start))
        self.end_headers()
        if self.command == "GET":
            self.wfile.write(content[start:stop])

    def log_message(self, *_: object) -> None:
        """Be quiet."""


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Serve the files of a folder; yields what GDAL calls it, to which a file's name is added."""
    # a process of its own: a dataset is opened under Python's lock, which a thread would wait for
    command = [sys.executable, __file__, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        try:
            yield "/vsicurl?url=" + quote(server.stdout.readline().strip(), safe="")
        finally:
            server.terminate()


if __name__ == "__main__":
    with ThreadingHTTPServer(("127.0.0.1", 0), Files) as files:
        print(f"http://127.0.0.1:{files.server_port}/", flush=True)
        files.serve_forever()
