"""Serves the page of a folder to this machine alone: loopback, read-only, one address."""

from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import parse_qs, urlsplit

from .shelf import SIDES, Shelf

HOME = "127.0.0.1"
LONGEST = 8192  # letters of an address that are looked at
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
PLAIN = "text/plain; charset=utf-8"


class PageServer(ThreadingHTTPServer):
    """A server of one folder on a free port of the loopback address.

    Parameters
    ----------
    folder
        What is shown; see :class:`.shelf.Shelf`.

    Notes
    -----
    There is one address, `/`, with file names in its query, and these are only ever compared with
    the names in the folder. Requests whose Host is not this server's are refused, so that a page
    from elsewhere cannot read it under another name.
    """

    daemon_threads = True

    def __init__(self, folder: Path) -> None:
        super().__init__((HOME, 0), _Handler)
        self.shelf, self.lock = Shelf(folder), Lock()

    @property
    def address(self) -> str:
        """The address to open in a browser."""
        return f"http://{HOME}:{self.server_port}/"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of broken connections."""


class _Handler(BaseHTTPRequestHandler):
    server: PageServer
    server_version, sys_version = "hybridopt", ""
    timeout = 20

    def do_GET(self) -> None:
        self._answer(*self._find())

    def do_HEAD(self) -> None:
        self._answer(*self._find(), body=False)

    def _refuse(self) -> None:
        self._answer(405, PLAIN, "only reading is possible here", {"Allow": "GET, HEAD"})

    do_POST = do_PUT = do_DELETE = do_PATCH = do_OPTIONS = _refuse

    def _find(self) -> tuple[int, str, str]:
        """Return status, kind and text of the answer."""
        port = self.server.server_port
        if self.headers.get_all("Host") not in ([f"{HOME}:{port}"], [f"localhost:{port}"]):
            return 403, PLAIN, "this address is not served under that name"
        if len(self.path) > LONGEST:
            return 414, PLAIN, "the address is too long"
        parts = urlsplit(self.path)
        if parts.scheme or parts.netloc or parts.path != "/":
            return 404, PLAIN, "there is only one page, /"
        try:
            query = parse_qs(parts.query, keep_blank_values=True, max_num_fields=10)
        except ValueError:
            return 400, PLAIN, "the question is not understood"
        wanted = {side: query[side][-1] for side in SIDES if side in query}
        with self.server.lock:
            page = self.server.shelf.page(wanted)
        if page is None:
            return 404, PLAIN, "there is no such result in this folder"
        return 200, "text/html; charset=utf-8", page

    def _answer(
        self,
        status: int,
        kind: str,
        text: str,
        more: dict[str, str] | None = None,
        body: bool = True,
    ) -> None:
        content = text.encode()
        self.send_response(status)
        headers = {"Content-Type": kind, "Content-Length": str(len(content))}
        for name, value in (headers | HEADERS | (more or {})).items():
            self.send_header(name, value)
        self.end_headers()
        if body:
            self.wfile.write(content)

    def log_message(self, format: str, *values: Any) -> None:  # noqa: A002 - named by the base
        """Keep no log."""
