"""Who may speak to the page: what stands before every request and every open line to it.

A web page of anybody's can make the user's own browser send requests to this machine, and a name
server can make such a page's own name mean this machine (DNS rebinding). So each request must name
us as its host, by an address that is ours and not by any other name, and whatever may change
something must come from a page of ours, by its origin. On a local network a visitor also needs a
key: a cookie, got once for a code that stands in the terminal.

Nothing here secures the line itself: on a network, whoever can listen to it reads along.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import re
import secrets
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any
from urllib.parse import parse_qs

__all__ = ["Door", "Guard", "hosts_of"]

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

SAFE = ("GET", "HEAD")
LARGEST_HEAD = 16_384  # bytes of a request's address and lines before its body
LARGEST_FORM = 1_000  # bytes of the form with the code
LARGEST_UPLOAD = 40_000_000  # bytes of one request: a phone's photograph has up to 30 MB
PATIENCE = 60.0  # for all of a request's body to come [s]
ENTER = "/enter"
LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # none looks like another
LENGTH = 8  # of a code: 40 bits
DEVICES = 8  # that may have a key at once
FREE, FREE_IN_ALL = 3, 12  # wrong codes before one must wait: from one address, and from all
# the longest wait after many wrong codes; from all together short, lest a stranger lock all out [s]
LONGEST, LONGEST_IN_ALL = 3600.0, 60.0
WATCHED = 256  # addresses whose wrong codes are counted
BROWSER = "bench_browser"  # cookie by which a browser is known again; it opens nothing
NAME_BYTES = 12
NAMED = re.compile(r"[\w-]{16}")
YEAR = 365 * 86_400  # [s]

# scripts and styles within the page are the page library's own; it also compiles its templates
# in the browser. None but ours are ever fetched.
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self' 'unsafe-inline' 'unsafe-eval'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-frame-options", b"DENY"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),  # with none at all, a form's origin is hidden, too
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), microphone=(), payment=(), usb=()"),
)


def hosts_of(addresses: Iterable[str], port: int) -> frozenset[str]:
    """What a request may call us: these addresses, with the port.

    Parameters
    ----------
    addresses : iterable of str
        IP addresses that we listen at; loopback also goes by its name.
    port : int

    Returns
    -------
    frozenset of str

    Examples
    --------
    >>> sorted(hosts_of(["127.0.0.1"], 8300))
    ['127.0.0.1:8300', 'localhost:8300']
    """
    names = set(addresses)
    if any(ipaddress.ip_address(a).is_loopback for a in addresses):
        names.add("localhost")
    return frozenset(f"{name}:{port}" for name in names)


class Door:
    """Who has a key, and how one is got.

    A code is good for one device; then another takes its place. Wrong ones cost time: after a few
    from one address, and after more from all together, each doubles the wait before the next is
    looked at.

    Parameters
    ----------
    tell : callable
        Takes each new code, to show it to the user.
    clock : callable
        Gives the time that passes. [s]
    """

    def __init__(self, tell: Callable[[str], None], clock: Callable[[], float] = time.monotonic):
        self._tell, self._clock = tell, clock
        self._keys: list[bytes] = []
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()  # count, wait until
        self._wrong_in_all = (0, -float("inf"))
        self.code = ""

    def new_code(self) -> None:
        """Make another code, and show it."""
        self.code = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
        self._tell(self.code)

    def wait(self, address: str) -> float:
        """How long a visitor has to wait before a code is looked at.

        Parameters
        ----------
        address : str

        Returns
        -------
        float
            0 for not at all. [s]
        """
        until = max(self._wrong.get(address, (0, 0.0))[1], self._wrong_in_all[1])
        return max(until - self._clock(), 0.0)

    def knock(self, address: str, code: str) -> str:
        """Try a code.

        Parameters
        ----------
        address : str
            Of the visitor.
        code : str
            As typed.

        Returns
        -------
        str
            A key; empty if the code is wrong or there is a wait.
        """
        if self.wait(address) > 0.0 or not self.code:
            return ""
        typed = "".join(code.upper().split()).replace("-", "")
        if not hmac.compare_digest(typed.encode("utf-8", "replace"), self.code.encode()):
            self._note_wrong(address)
            return ""
        key = secrets.token_urlsafe(32)
        self._keys = [*self._keys, _digest(key)][-DEVICES:]
        self._wrong.pop(address, None)
        self._wrong_in_all = (0, -float("inf"))
        self.new_code()
        return key

    def fits(self, key: str) -> bool:
        """Whether a key is one of those given out.

        Parameters
        ----------
        key : str

        Returns
        -------
        bool
        """
        asked = _digest(key)
        return any(hmac.compare_digest(asked, held) for held in self._keys)

    def _note_wrong(self, address: str) -> None:
        now = self._clock()
        count = self._wrong.pop(address, (0, 0.0))[0] + 1
        self._wrong[address] = count, now + _delay(count - FREE, LONGEST)
        while len(self._wrong) > WATCHED:
            self._wrong.popitem(last=False)
        count = self._wrong_in_all[0] + 1
        self._wrong_in_all = count, now + _delay(count - FREE_IN_ALL, LONGEST_IN_ALL)


def _delay(beyond: int, longest: float) -> float:
    return min(2.0 ** min(beyond, 60), longest) if beyond >= 0 else 0.0


def _digest(key: str) -> bytes:
    return hashlib.sha256(key.encode("utf-8", "replace")).digest()


class Guard:
    """Stands before the page; refuses whoever has no business there.

    Parameters
    ----------
    app : callable
        ASGI application behind it.
    hosts : collection of str
        By which names we are asked for, see `hosts_of`.
    door : Door, optional
        For visitors who are not on this machine; without, there are none.
    """

    def __init__(self, app: App, hosts: frozenset[str], door: Door | None = None):
        self.app = app
        self.hosts = hosts
        self.door = door
        self.cookie = f"bench_{next(iter(sorted(hosts))).rpartition(':')[2]}"

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer or pass on one request or one line, as ASGI has it.

        Parameters
        ----------
        scope, receive, send
            As ASGI has them.
        """
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if (refusal := self._refusal(scope)) is not None:
            await _refuse(scope, receive, send, *refusal)
            return
        if scope["type"] == "http":
            send = _with_headers(scope, send, self._named(scope))
            if self.door is not None and scope["path"] == ENTER:
                await self._enter(self.door, scope, receive, send)
                return
        if not self._has_key(scope):
            if scope["type"] == "http" and scope["method"] in SAFE and _navigates(scope):
                await _answer(send, 303, "", location=ENTER)
            else:
                await _refuse(scope, receive, send, 401, "Enter with the code first.")
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        bounded = _Bounded(receive, send, LARGEST_UPLOAD)
        try:
            await self.app(scope, bounded.receive, bounded.send)
        except Exception:
            if not bounded.refused:  # else it is about the body that it didn't get
                raise

    def _refusal(self, scope: Message) -> tuple[int, str] | None:
        """Status and words for who asks under a wrong name, or from another's page."""
        hosts, origins = _values(scope, b"host"), _values(scope, b"origin")
        lines = sum(len(name) + len(value) for name, value in scope["headers"])
        if lines + len(scope.get("raw_path") or b"") + len(_query(scope)) > LARGEST_HEAD:
            return 431, "Too long."
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return 421, "This is not the address of this page."
        if scope["type"] == "http" and scope["method"] not in (*SAFE, "POST"):
            return 405, "No."
        ours = [f"http://{hosts[0].lower()}"]
        unsafe = scope["type"] == "websocket" or scope["method"] not in SAFE
        if (unsafe or origins) and [o.lower() for o in origins] != ours:
            return 403, "Another page has no business here."
        sites = _values(scope, b"sec-fetch-site")
        if any(s not in ("same-origin", "none") for s in sites) and not _navigates(scope):
            return 403, "Another page has no business here."
        if scope["type"] == "http" and scope["path"].startswith("/_nicegui_ws"):
            return 403, "Pages speak over a web socket alone."
        if scope["type"] == "http" and (size := _length(scope)) > LARGEST_UPLOAD:
            return 413, f"{size / 1e6:.0f} MB is too much: {LARGEST_UPLOAD / 1e6:.0f} MB at most."
        return None

    def _named(self, scope: Message) -> str:
        """Note in a request which browser it is from; the cookie that says so, if it is new."""
        name = _cookie(scope, BROWSER)
        new = "" if NAMED.fullmatch(name) else secrets.token_urlsafe(NAME_BYTES)
        scope["browser"] = new or name
        return f"{BROWSER}={new}; Path=/; HttpOnly; SameSite=Strict; Max-Age={YEAR}" if new else ""

    def _has_key(self, scope: Message) -> bool:
        """Whether this comes from this very machine, or with a key."""
        host = _values(scope, b"host")[0].rpartition(":")[0]
        if self.door is None or (_is_loopback(_address(scope)) and _is_loopback(host)):
            return True
        return self.door.fits(_cookie(scope, self.cookie))

    async def _enter(self, door: Door, scope: Message, receive: Receive, send: Send) -> None:
        if scope["method"] != "POST":
            await _answer(send, 200, _form(""), kind="text/html")
            return
        form = _Bounded(receive, send, LARGEST_FORM)
        body = await form.body()
        if form.refused:
            return
        code = parse_qs(body.decode("utf-8", "replace")).get("code", [""])[0]
        address = _address(scope)
        if wait := door.wait(address):
            words = f"Too many wrong codes. Wait {wait:.0f} s, then type the code again."
            await _answer(send, 429, _form(words), kind="text/html", retry=wait)
        elif key := door.knock(address, code):
            kept = f"{self.cookie}={key}; Path=/; HttpOnly; SameSite=Strict"
            await _answer(send, 303, "", location="/", cookie=kept)
        else:
            words = "That is not the code, or it has been used. The terminal shows the one to type."
            await _answer(send, 403, _form(words), kind="text/html")


class _Bounded:
    """A request's body, of which no more is taken than so much, nor for longer than `PATIENCE`.

    What is too much is answered here, and whatever the page then says is dropped.
    """

    def __init__(self, receive: Receive, send: Send, most: int):
        self._receive, self._send, self._most = receive, send, most
        self._size, self._ended, self._until = 0, False, time.monotonic() + PATIENCE
        self.refused = False

    async def receive(self) -> Message:
        if self._ended:
            return await self._receive()  # whether the visitor leaves: whenever that will be
        try:
            left = max(self._until - time.monotonic(), 0.0)
            message = await asyncio.wait_for(self._receive(), left)
        except TimeoutError:
            return await self._refuse(408, "It took too long to come.")
        self._size += len(message.get("body", b""))
        self._ended = not message.get("more_body", False)
        if self._size > self._most:
            return await self._refuse(413, f"Too much: {self._most / 1e6:g} MB at most.")
        return message

    async def _refuse(self, status: int, words: str) -> Message:
        self.refused = self._ended = True
        await _answer(self._send, status, words)
        return {"type": "http.disconnect"}

    async def send(self, message: Message) -> None:
        if not self.refused:
            await self._send(message)

    async def body(self) -> bytes:
        body, more = b"", True
        while more:
            message = await self.receive()
            body += message.get("body", b"")
            more = message.get("more_body", False)
        return body


def _with_headers(scope: Message, send: Send, cookie: str = "") -> Send:
    ours = {name for name, _ in HEADERS}
    library = scope["path"].startswith("/_nicegui/")  # files of its version, named after that

    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = [(k, v) for k, v in message.get("headers", []) if k.lower() not in ours]
            if not library or message["status"] != 200:
                there = [(k, v) for k, v in there if k.lower() != b"cache-control"]
                there.append((b"cache-control", b"no-store"))
            if cookie and scope["path"] == "/":
                there.append((b"set-cookie", cookie.encode()))
            message = {**message, "headers": [*there, *HEADERS]}
        await send(message)

    return with_headers


async def _refuse(scope: Message, receive: Receive, send: Send, status: int, words: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
    else:
        await _answer(_with_headers(scope, send), status, words)


async def _answer(
    send: Send,
    status: int,
    text: str,
    *,
    kind: str = "text/plain",
    location: str = "",
    cookie: str = "",
    retry: float = 0.0,
) -> None:
    body = text.encode()
    headers = [
        (b"content-type", f"{kind}; charset=utf-8".encode()),
        (b"content-length", str(len(body)).encode()),
    ]
    headers += [(b"location", location.encode())] * bool(location)
    headers += [(b"set-cookie", cookie.encode())] * bool(cookie)
    headers += [(b"retry-after", f"{retry + 1.0:.0f}".encode())] * bool(retry)
    if status >= 400:
        headers.append((b"connection", b"close"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _form(words: str) -> str:
    """Page that asks for the code; one that a picture led to brings it behind its address's #."""
    told = f'<p role="alert"><strong>{words}</strong></p>' if words else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>At the bench</title>
<style>body {{ font: 1.1rem/1.5 system-ui, sans-serif; color: #1a1a1a; margin: 1rem auto;
max-width: 30rem; padding: 0 1rem }} input, button {{ font: inherit; padding: 0.4rem }}
input {{ width: 12rem; letter-spacing: 0.1em }}</style></head>
<body><main><h1>At the bench</h1>{told}
<form method="post" action="{ENTER}"><p><label for="code">Code that the terminal shows</label></p>
<p><input id="code" name="code" autocomplete="off" autocapitalize="characters" required
maxlength="20"> <button>Enter</button></p></form>
<script>const code = location.hash.slice(1);
if (code && document.querySelector("[role=alert]") === null) {{
history.replaceState(null, "", location.pathname);
document.getElementById("code").value = code; document.querySelector("form").submit(); }}</script>
</main></body></html>"""


def _values(scope: Message, name: bytes) -> list[str]:
    return [v.decode("latin-1") for k, v in scope["headers"] if k.lower() == name]


def _query(scope: Message) -> bytes:
    return bytes(scope.get("query_string") or b"")


def _length(scope: Message) -> int:
    said = _values(scope, b"content-length")
    return int(said[0]) if said and said[0].isdecimal() else 0


def _navigates(scope: Message) -> bool:
    """Whether a person opens a page, by a link or an address, rather than a script something."""
    modes = _values(scope, b"sec-fetch-mode")
    if scope["type"] != "http" or scope["method"] not in SAFE:
        return False
    return not modes or modes == ["navigate"]


def _address(scope: Message) -> str:
    return str((scope.get("client") or ("",))[0])


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _cookie(scope: Message, name: str) -> str:
    pieces = (x.strip().partition("=") for v in _values(scope, b"cookie") for x in v.split(";"))
    return next((value for key, _, value in pieces if key == name), "")
