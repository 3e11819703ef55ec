"""How commands serve a page until they are interrupted."""

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import click

from ..base.errors import FailedError

if TYPE_CHECKING:
    from ..report.loopback import LoopbackServer

Server = TypeVar("Server", bound="LoopbackServer")


def serve(
    make: Callable[[], Server], tell: Callable[[Server], str], end: Callable[[], str]
) -> None:
    """Serve a page; print `tell` of the server at the start, and `end` when Ctrl-C ends it.

    Raises
    ------
    FailedError
        The system has no port for it.
    """
    try:
        server = make()
    except OSError as error:
        raise FailedError(f"the page could not be served ({error.strerror or error})") from None
    click.echo(tell(server))
    with server:
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            click.echo(end(), err=True)
