"""What servers of a page share: loopback address, a free port, strict headers, no other host."""

from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

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
PAGE = "text/html; charset=utf-8"
Answer = tuple[int, str, str]
"""Status, kind and text."""


class LoopbackServer(ThreadingHTTPServer):
    """A server on a free port of the loopback address.

    Parameters
    ----------
    handler
        Answers requests.
    """

    daemon_threads = True

    def __init__(self, handler: type["LoopbackHandler"]) -> None:
        super().__init__((HOME, 0), handler)

    @property
    def hosts(self) -> tuple[str, str]:
        """The names under which it is served."""
        return f"{HOME}:{self.server_port}", f"localhost:{self.server_port}"

    @property
    def address(self) -> str:
        """The address to open in a browser."""
        return f"http://{HOME}:{self.server_port}/"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of broken connections."""


class LoopbackHandler(BaseHTTPRequestHandler):
    """Answers for one address, `/`, only where the Host is the server's.

    So no page from elsewhere can read it under another name.
    """

    server: LoopbackServer
    server_version, sys_version = "hybridopt", ""
    timeout = 20

    def page(self, query: dict[str, list[str]]) -> Answer:
        """Return the answer to a request for the page."""
        raise NotImplementedError

    def do_GET(self) -> None:
        """Send the page."""
        self.answer(*self._found())

    def do_HEAD(self) -> None:
        """Send what a page would come with."""
        self.answer(*self._found(), body=False)

    def _found(self) -> Answer:
        if refusal := self.refusal():
            return refusal
        try:
            query = parse_qs(urlsplit(self.path).query, keep_blank_values=True, max_num_fields=10)
        except ValueError:
            return 400, PLAIN, "the question is not understood"
        return self.page(query)

    def refusal(self) -> Answer | None:
        """Return the answer to a request for another host or place, or one that is too long."""
        if self.headers.get_all("Host") not in [[host] for host in self.server.hosts]:
            return 403, PLAIN, "this address is not served under that name"
        if len(self.path) > LONGEST:
            return 414, PLAIN, "the address is too long"
        parts = urlsplit(self.path)
        if parts.scheme or parts.netloc or parts.path != "/":
            return 404, PLAIN, "there is only one page, /"
        return None

    def answer(
        self,
        status: int,
        kind: str,
        text: str,
        more: dict[str, str] | None = None,
        body: bool = True,
    ) -> None:
        """Send an answer."""
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
