"""Serves the page of a folder to this machine alone: loopback, read-only, one address."""

from pathlib import Path
from threading import Lock

from .loopback import PAGE, PLAIN, Answer, LoopbackHandler, LoopbackServer
from .shelf import SIDES, Shelf


class PageServer(LoopbackServer):
    """A server of one folder on a free port of the loopback address.

    Parameters
    ----------
    folder
        What is shown; see :class:`.shelf.Shelf`.

    Notes
    -----
    There is one address, `/`, with file names in its query, and these are only ever compared with
    the names in the folder.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(_Handler)
        self.shelf, self.lock = Shelf(folder), Lock()


class _Handler(LoopbackHandler):
    server: PageServer

    def _refuse(self) -> None:
        self.answer(405, PLAIN, "only reading is possible here", {"Allow": "GET, HEAD"})

    do_POST = do_PUT = do_DELETE = do_PATCH = do_OPTIONS = _refuse

    def page(self, query: dict[str, list[str]]) -> Answer:
        """Return the page of the results that are asked for."""
        wanted = {side: query[side][-1] for side in SIDES if side in query}
        with self.server.lock:
            page = self.server.shelf.page(wanted)
        if page is None:
            return 404, PLAIN, "there is no such result in this folder"
        return 200, PAGE, page
