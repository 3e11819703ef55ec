"""A server of a page in a thread of its own."""

import contextlib
from threading import Thread


@contextlib.contextmanager
def served(server):
    """Serve until the end of the block; give the server."""
    with server:
        thread = Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()
