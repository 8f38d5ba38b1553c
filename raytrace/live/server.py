"""The page's server: on this machine alone, or on the local network behind a code."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import uvicorn
from fastapi import FastAPI
from nicegui import app as page_app
from nicegui import ui
from uvicorn.protocols.http.h11_impl import H11Protocol

from raytrace.exceptions import SettingsError
from raytrace.live.guard import ENTER, LARGEST_HEAD, Door, Guard, hosts_of
from raytrace.live.latest import end_all
from raytrace.live.page import build

if TYPE_CHECKING:
    from raytrace.live.bench import Start

__all__ = ["DEFAULT_PORT", "serve"]

DEFAULT_PORT = 8300
LOOPBACK = "127.0.0.1"
ICON = (  # a pot over its mirrors
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><rect x="4" y="2" width="8" '
    'height="5" rx="1" fill="#1a1a1a"/><path d="M1 14l3-3M6 13l2-4M15 14l-3-3M10 13l-2-4" '
    'stroke="#8a4b00" stroke-width="1.6"/></svg>'
)
CONNECTIONS = 100  # open at once, of all pages together
LARGEST_MESSAGE = 1_000_000  # over a web socket [bytes]
IDLE = 10.0  # for which a connection may bring no whole request, twice over at most [s]
EVERY = 2.0  # between two looks whether something is to be remembered [s]


def serve(
    start: Start,
    *,
    port: int | None = None,
    phone: bool = False,
    ready: Callable[[str], None],
    code: Callable[[str, str], None],
) -> None:
    """Serve the page until Ctrl-C.

    Parameters
    ----------
    start : Start
    port : int, optional
        0 for any that is free; by default `DEFAULT_PORT`, or any if that is taken.
    phone : bool
        Whether the local network is listened to as well, behind a code.
    ready : callable
        Called once with the address for a browser on this machine.
    code : callable
        Called with each new code and the address that leads in with it.

    Raises
    ------
    SettingsError
        If the port is taken, or there is no local network.
    """
    addresses = [LOOPBACK, _own_address()] if phone else [LOOPBACK]
    with _sockets(addresses, port) as sockets:
        port = int(sockets[0].getsockname()[1])
        door = None
        if phone:
            outside = f"http://{addresses[1]}:{port}{ENTER}"
            door = Door(lambda new: code(new, f"{outside}#{new}"))
        inner = FastAPI(openapi_url=None)
        memories = build(start)
        ui.run_with(
            inner,
            title="At the bench",
            language="en-US",
            favicon=ICON,
            tailwind=False,
            show_welcome_message=False,
            reconnect_timeout=10.0,
        )
        page_app.config.socket_io_js_transports = ["websocket"]
        page_app.config.quasar_config["loadingBar"]["skipHijack"] = True  # no bar without a name

        async def keep_writing() -> None:
            while True:
                await asyncio.sleep(EVERY)
                await asyncio.to_thread(write)

        def write() -> None:
            for memory in tuple(memories.values()):
                memory.write()

        def begun() -> None:
            if door is not None:
                door.new_code()
            ready(f"http://{LOOPBACK}:{port}/")

        tasks: list[asyncio.Task[None]] = []
        page_app.on_startup(lambda: tasks.append(asyncio.create_task(keep_writing())))
        page_app.on_shutdown(end_all)
        config = uvicorn.Config(
            Guard(inner, hosts_of(addresses, port), door),
            http=Impatient,
            h11_max_incomplete_event_size=LARGEST_HEAD,
            ws_max_size=LARGEST_MESSAGE,
            limit_concurrency=CONNECTIONS,
            timeout_keep_alive=10,
            timeout_graceful_shutdown=1,
            proxy_headers=False,  # whoever asks is who sends; no header says otherwise
            server_header=False,
            access_log=False,
            log_level="error",
        )
        with contextlib.suppress(KeyboardInterrupt):
            _Server(config, begun).run(sockets)
        write()


class Impatient(H11Protocol):
    """A connection that is closed if nothing whole is asked on it for long.

    Else a hundred that begin a request and never end it would keep all others out.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to look at it now and then.

        Parameters
        ----------
        transport : Transport
        """
        super().connection_made(transport)
        self.loop.call_later(IDLE, self._look, False)

    def _look(self, was_idle: bool) -> None:
        if self.transport.is_closing() or self.transport.get_protocol() is not self:
            return  # a web socket has taken it over
        idle = self.cycle is None or self.cycle.response_complete
        if idle and was_idle:
            self.transport.close()
        else:
            self.loop.call_later(IDLE, self._look, idle)


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, begun: Callable[[], None]):
        super().__init__(config)
        self._begun = begun

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._begun()


@contextlib.contextmanager
def _sockets(addresses: list[str], port: int | None) -> Iterator[list[socket.socket]]:
    """Listen at all addresses, on one port."""
    with contextlib.ExitStack() as held:
        wanted = DEFAULT_PORT if port is None else port
        try:
            first = held.enter_context(_listening(addresses[0], wanted))
        except OSError as error:
            if port is not None:
                raise SettingsError(
                    f"port {port} can't be had: {error.strerror}. Name another with --port."
                ) from None
            first = held.enter_context(_listening(addresses[0], 0))
        port = int(first.getsockname()[1])
        try:
            others = [held.enter_context(_listening(a, port)) for a in addresses[1:]]
        except OSError as error:
            raise SettingsError(
                f"port {port} of {addresses[1]} can't be had: {error.strerror}. Name another with "
                "--port."
            ) from None
        yield [first, *others]


def _listening(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere two programs could then have the same port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((address, port))
    except BaseException:
        made.close()
        raise
    return made


def _own_address() -> str:
    """Address on the local network: the one this machine would send from; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # kept free for examples: RFC 5737
            found = str(probe.getsockname()[0])
        except OSError:
            found = LOOPBACK
    if found.startswith("127.") or found == "0.0.0.0":
        raise SettingsError("this machine is on no network, so no phone can reach it.")
    return found
