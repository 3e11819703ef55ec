"""What servers of a page share: loopback address, a free port, strict headers, no other host."""

from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

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
    """Answers only requests whose Host is the server's, so that no page can name it otherwise."""

    server: LoopbackServer
    server_version, sys_version = "hybridopt", ""
    timeout = 20

    def refusal(self) -> tuple[int, str, str] | None:
        """Return the answer to a request that is for another host or too long."""
        if self.headers.get_all("Host") not in [[host] for host in self.server.hosts]:
            return 403, PLAIN, "this address is not served under that name"
        if len(self.path) > LONGEST:
            return 414, PLAIN, "the address is too long"
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
