"""Serves the page of rule tables under edit to this machine alone, and takes its changes."""

import json
import secrets
from threading import Lock
from typing import Any

from ..base.errors import FailedError, InputError
from .edit_page import edit_page
from .edit_requests import STALE, EditDesk, Stale
from .loopback import PAGE, PLAIN, Answer, LoopbackHandler, LoopbackServer

JSON = "application/json"
MOST_BYTES = 100_000  # of a request
TOKEN = "X-Edit-Token"
NOT_OURS = "this page is not the one that was started here; open the address that was printed"


class EditServer(LoopbackServer):
    """A server of one set of rule tables on a free port of the loopback address.

    Parameters
    ----------
    desk
        Answers what the page asks for.

    Attributes
    ----------
    token : what the page needs to be shown, and every request must bring along

    Notes
    -----
    The token is in the address that is printed. A request is taken only with it, in a header, from
    a page of this very address (Host and Origin), as JSON, and of limited size: no other page in
    the browser can read or change anything.
    """

    def __init__(self, desk: EditDesk) -> None:
        super().__init__(_Handler)
        self.desk, self.lock, self.token = desk, Lock(), secrets.token_urlsafe(24)

    @property
    def address(self) -> str:
        """The address to open in a browser."""
        return f"{super().address}?token={self.token}"


class _Handler(LoopbackHandler):
    server: EditServer

    def do_POST(self) -> None:
        status, message = self._change()
        self.answer(status, JSON, json.dumps(message, allow_nan=False, separators=(",", ":")))

    def _refuse(self) -> None:
        self.answer(405, PLAIN, "this is not done here", {"Allow": "GET, HEAD, POST"})

    do_PUT = do_DELETE = do_PATCH = do_OPTIONS = _refuse

    def page(self, query: dict[str, list[str]]) -> Answer:
        """Return the page, to whom has its token."""
        if not self._is_token(query.get("token", [""])[-1]):
            return 403, PLAIN, NOT_OURS
        with self.server.lock:
            return 200, PAGE, edit_page(self.server.desk, self.server.token)

    def _change(self) -> tuple[int, dict[str, Any]]:
        """Return status and message of the answer to a request of the page."""
        if refusal := self.refusal() or self._foreign():
            self.close_connection = True  # its body is not read
            return refusal[0], {"error": refusal[2]}
        try:
            asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        except (ValueError, RecursionError):
            return 400, {"error": "the request is no JSON"}
        try:
            with self.server.lock:
                return 200, self.server.desk.answer(asked)
        except Stale:
            return 409, {"error": STALE}
        except InputError as error:
            return 400, {"error": str(error)}
        except FailedError as error:
            return 500, {"error": str(error)}
        except Exception as error:  # the page must hear of it; nothing was changed
            return 500, {"error": f"unexpected {type(error).__name__}; nothing was changed"}

    def _foreign(self) -> Answer | None:
        """Return the answer to a request that no page of this server sends."""
        host = self.headers["Host"]
        if self.headers.get_all("Origin") != [f"http://{host}"]:
            return 403, PLAIN, "changes are taken only from the page of this address"
        if not self._is_token(self.headers.get(TOKEN, "")):
            return 403, PLAIN, NOT_OURS
        if self.headers.get_content_type() != JSON:
            return 415, PLAIN, "a request is JSON"
        length = self.headers.get("Content-Length", "")
        if not (length.isascii() and length.isdigit() and int(length) <= MOST_BYTES):
            return 413, PLAIN, "the request is too long"
        return None

    def _is_token(self, given: str) -> bool:
        return secrets.compare_digest(given.encode(errors="replace"), self.server.token.encode())
