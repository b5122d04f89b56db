"""A web server on this machine that answers with calendars, sends on, dawdles, or never ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

Reply = Callable[[BaseHTTPRequestHandler], None]


class Answers:
    """What the server answers by path, changed by a test while it runs, and what it was asked."""

    def __init__(self) -> None:
        self.by_path: dict[str, Reply] = {}
        self.asked: list[tuple[str, dict[str, str]]] = []


def body(text: bytes, **headers: str) -> Reply:
    """Answer with a body; a reader that knows its ETag already gets 304."""

    def reply(request: BaseHTTPRequestHandler) -> None:
        etag = headers.get("ETag")
        if etag and request.headers.get("If-None-Match") == etag:
            request.send_response(304)
            request.end_headers()
            return
        request.send_response(200)
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.send_header("Content-Length", str(len(text)))
        request.end_headers()
        request.wfile.write(text)

    return reply


def on_to(address: str) -> Reply:
    """Send on to another address."""

    def reply(request: BaseHTTPRequestHandler) -> None:
        request.send_response(302)
        request.send_header("Location", address)
        request.end_headers()

    return reply


def without_end(piece: bytes, pause: float = 0.0, headers: bool = False) -> Reply:
    """Answer with the same piece again and again, in the headers or after them."""

    def reply(request: BaseHTTPRequestHandler) -> None:
        if not headers:
            request.send_response(200)
            request.end_headers()
        with suppress(OSError):
            while True:
                request.wfile.write(piece)
                request.wfile.flush()
                time.sleep(pause)

    return reply


@contextmanager
def running(answers: Answers) -> Iterator[int]:
    """Run the server and yield its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:  # noqa: N802 - the name the library looks for
            answers.asked.append((self.path, dict(self.headers)))
            answers.by_path[self.path](self)

        def log_message(self, *args: object) -> None:
            """Keep quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
