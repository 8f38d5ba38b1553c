"""A hostile client: what it asks, and what it gets.

The rules that a browser lives by are those of the Fetch standard (WHATWG): it states the origin of
whatever may change something, and a page can't choose what its browser says in Host, Origin and
Sec-Fetch-*.
"""

import asyncio
import os
import re
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from raytrace.exceptions import ScenarioError, StoreError
from raytrace.live import guard as of
from raytrace.live.bench import Bench, Start
from raytrace.live.folder import Folder
from raytrace.live.guard import Door, Guard, hosts_of
from raytrace.live.memory import Memory
from raytrace.scenario.toml_text import LARGEST

PORT = 8300
HERE, PHONE = ("127.0.0.1", 40000), ("192.0.2.7", 40000)
LOCAL, LAN = f"127.0.0.1:{PORT}", f"192.0.2.1:{PORT}"


class Behind:
    """What stands behind the guard: notes who came through, and how much they brought."""

    def __init__(self):
        self.came = []

    async def __call__(self, scope, receive, send):
        self.came.append(scope["type"])
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            return
        size, more = 0, True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise RuntimeError("gone")
            size += len(message["body"])
            more = message.get("more_body", False)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": str(size).encode()})


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def codes():
    return []


@pytest.fixture
def guard(clock, codes):
    door = Door(codes.append, clock)
    door.new_code()
    return Guard(Behind(), hosts_of(["127.0.0.1", "192.0.2.1"], PORT), door)


def run(work):
    """Run to its end, in a thread of its own: the browser's library has a loop in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()


def ask(guard, method="GET", path="/", *, client=HERE, host=LOCAL, content=None, **headers):
    """One request; what it may not send by itself is left out."""

    async def go():
        transport = httpx.ASGITransport(app=guard, client=client)
        async with httpx.AsyncClient(transport=transport) as http:
            sent = {"host": host, **{k.replace("_", "-"): v for k, v in headers.items()}}
            return await http.request(
                method, f"http://{LOCAL}{path}", headers=sent, content=content
            )

    return run(go())


def line(guard, *, client=HERE, host=LOCAL, origin=None, cookie=None):
    """What a web socket's opening is answered with."""
    all_of_them = {b"host": host, b"origin": origin, b"cookie": cookie}
    said = [(name, value.encode()) for name, value in all_of_them.items() if value is not None]
    path = "/_nicegui_ws/socket.io/"
    scope = {"type": "websocket", "path": path, "headers": said, "client": client}
    answers = []

    async def receive():
        return {"type": "websocket.connect"}

    async def send(message):
        answers.append(message["type"])

    run(guard(scope, receive, send))
    return answers


@pytest.mark.parametrize(
    "host",
    [
        "rebound.example:8300",
        "127.0.0.1",
        "127.0.0.1:80",
        "localhost.example:8300",
        "",
        "[::1]:8300",
    ],
)
def test_another_name_of_this_machine_is_refused(guard, host):
    """DNS rebinding: a page whose name has come to mean this machine sends that name as Host."""
    assert ask(guard, host=host).status_code == 421
    assert line(guard, host=host, origin=f"http://{host}") == ["websocket.close"]
    assert guard.app.came == []


def test_two_hosts_are_one_too_many(guard):
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "headers": [(b"host", LOCAL.encode()), (b"host", b"rebound.example:8300")],
        "client": HERE,
    }
    sent = []

    async def send(message):
        sent.append(message)

    run(guard(scope, None, send))
    assert sent[0]["status"] == 421


@pytest.mark.parametrize(
    "origin",
    [None, "null", "http://other.example", "https://127.0.0.1:8300", "http://127.0.0.1:8301",
     "http://192.0.2.1:8300", "http://127.0.0.1:8300.other.example"],
)  # fmt: skip
def test_what_may_change_something_comes_from_our_own_page(guard, origin):
    """Cross-site requests: the origin is another's, hidden, or none."""
    said = {} if origin is None else {"origin": origin}
    assert (
        ask(guard, "POST", "/_nicegui/client/x/upload/1", content=b"x", **said).status_code == 403
    )
    assert line(guard, origin=origin) == ["websocket.close"]
    if origin is not None:
        assert ask(guard, **said).status_code == 403
    assert guard.app.came == []


def test_our_own_page_gets_through(guard):
    assert ask(guard).status_code == 200
    assert ask(guard, host=f"localhost:{PORT}").status_code == 200
    ours = f"http://{LOCAL}"
    assert ask(guard, "POST", "/x", content=b"12345", origin=ours).text == "5"
    assert line(guard, origin=ours) == ["websocket.accept"]


def test_a_foreign_page_may_link_here_and_nothing_more(guard):
    other = {"sec_fetch_site": "cross-site"}
    assert ask(guard, sec_fetch_mode="navigate", **other).status_code == 200
    for mode in ("no-cors", "cors", "websocket"):
        assert ask(guard, sec_fetch_mode=mode, **other).status_code == 403
    assert ask(guard, sec_fetch_site="same-site", sec_fetch_mode="no-cors").status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(guard, method):
    assert ask(guard, method, origin=f"http://{LOCAL}").status_code == 405


def test_lines_are_web_sockets_alone(guard):
    path = "/_nicegui_ws/socket.io/?EIO=4&transport=polling"
    assert ask(guard, path=path).status_code == 403
    assert ask(guard, "POST", path, content=b"40", origin=f"http://{LOCAL}").status_code == 403


def test_every_answer_tells_the_browser_to_keep_out(guard):
    for answer in (ask(guard), ask(guard, host="other.example"), ask(guard, path="/enter")):
        said = answer.headers
        assert "frame-ancestors 'none'" in said["content-security-policy"]
        assert "http" not in said["content-security-policy"]
        assert said["x-content-type-options"] == "nosniff"
        assert said["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in said


def test_from_the_network_nothing_without_a_key(guard):
    """Whatever the visitor says: where a request comes from, its connection tells."""
    assert ask(guard, client=PHONE, host=LAN).headers["location"] == "/enter"
    for said in ({}, {"x_forwarded_for": "127.0.0.1"}, {"cookie": f"bench_{PORT}=guess"}):
        there = {"client": PHONE, "host": LAN, "origin": f"http://{LAN}", **said}
        assert ask(guard, "POST", "/x", content=b"x", **there).status_code == 401
        assert ask(guard, path="/_nicegui/x.js", **there).headers["location"] == "/enter"
    assert ask(guard, client=PHONE, host=LOCAL).status_code == 303  # says it is from here
    assert ask(guard, client=HERE, host=LAN).status_code == 303  # through some other program
    assert line(guard, client=PHONE, host=LAN, origin=f"http://{LAN}") == ["websocket.close"]
    assert guard.app.came == []


def enter(guard, code, client=PHONE):
    form = {"origin": f"http://{LAN}", "content_type": "application/x-www-form-urlencoded"}
    content = b"code=" + code.encode()
    return ask(guard, "POST", "/enter", client=client, host=LAN, content=content, **form)


def test_a_code_lets_one_device_in(guard, codes):
    answer = enter(guard, codes[0].lower())
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    kept = answer.headers["set-cookie"]
    assert "HttpOnly" in kept
    assert "SameSite=Strict" in kept
    key = kept.partition(";")[0]
    assert codes[0] not in kept
    assert ask(guard, client=PHONE, host=LAN, cookie=f"a=1; {key}; b=2").status_code == 200
    assert line(guard, client=PHONE, host=LAN, origin=f"http://{LAN}", cookie=key) == [
        "websocket.accept"
    ]
    assert enter(guard, codes[0]).status_code == 403  # used
    assert len(set(codes)) == 2
    assert enter(guard, codes[1]).status_code == 303  # the next device's


def test_a_foreign_page_can_not_enter_a_code(guard, codes):
    form = {"client": PHONE, "host": LAN, "content": f"code={codes[0]}".encode()}
    assert ask(guard, "POST", "/enter", origin="http://other.example", **form).status_code == 403
    assert ask(guard, "POST", "/enter", **form).status_code == 403
    assert len(codes) == 1


def test_guessing_takes_ever_longer(guard, clock, codes):
    """From one address: 3 tries, then a wait of 1, 2, 4 s; even the right code has to wait."""
    answers = [enter(guard, "AAAAAAAA").status_code for _ in range(4)]
    assert answers == [403, 403, 403, 429]
    assert int(enter(guard, codes[0]).headers["retry-after"]) >= 1
    for wait in (1.0, 2.0, 4.0):
        clock.now += wait - 0.01
        assert enter(guard, "AAAAAAAA").status_code == 429
        clock.now += 0.02
        assert enter(guard, "AAAAAAAA").status_code == 403
    clock.now += 8.1
    assert enter(guard, codes[0]).status_code == 303


def test_guessing_from_many_addresses_takes_ever_longer_too(clock, codes):
    """In a day, with all addresses of a network, not one in a million codes can be tried."""
    door = Door(codes.append, clock)
    door.new_code()
    tried = 0
    end = clock.now + 86_400.0
    while clock.now < end and tried < 10_000:
        address = f"192.0.2.{tried % 254}"
        if wait := door.wait(address):
            clock.now += wait
        assert door.knock(address, "AAAAAAAA") == ""
        tried += 1
    assert tried < 2000
    assert tried / len(of.LETTERS) ** of.LENGTH < 1e-6
    assert len(door._wrong) <= of.WATCHED


def test_codes_are_compared_whole_and_of_any_letters(clock, codes):
    door = Door(codes.append, clock)
    assert door.knock("a", "") == ""  # before there is a code
    door.new_code()
    for number, code in enumerate(
        ("", codes[0][:-1], codes[0] + "A", "\udcff\u20ac" * 4, "0" * 99)
    ):
        assert door.knock(str(number), code) == ""
    assert door.knock("z", f" {codes[0][:4]}-{codes[0][4:].lower()} ")
    assert not door.fits("")
    assert not door.fits("\udcff")


def test_keys_end_with_the_ninth_device(clock, codes):
    door = Door(codes.append, clock)
    door.new_code()
    keys = [door.knock(str(k), codes[-1]) for k in range(of.DEVICES + 1)]
    assert [door.fits(key) for key in keys] == [False] + [True] * of.DEVICES


def test_too_much_is_refused_before_it_is_read(guard):
    said = {"origin": f"http://{LOCAL}", "content_length": str(of.LARGEST_UPLOAD + 1)}
    assert ask(guard, "POST", "/x", **said).status_code == 413
    assert guard.app.came == []


def test_too_much_that_doesn_t_say_so_is_cut_off(guard, monkeypatch):
    monkeypatch.setattr(of, "LARGEST_UPLOAD", 1000)

    async def endless():
        for _ in range(100):
            yield b"x" * 100

    answer = ask(guard, "POST", "/x", content=endless(), origin=f"http://{LOCAL}")
    assert answer.status_code == 413
    assert enter(guard, "A" * 5000).status_code == 413


def test_a_body_that_never_comes_is_not_waited_for(guard, monkeypatch):
    monkeypatch.setattr(of, "PATIENCE", 0.05)

    async def slow():
        yield b"x"
        await asyncio.sleep(30.0)

    answer = ask(guard, "POST", "/x", content=slow(), origin=f"http://{LOCAL}")
    assert answer.status_code == 408


def test_a_browser_is_known_again_by_a_name_that_opens_nothing(guard):
    name = re.search(r"bench_browser=([\w-]+);", ask(guard).headers["set-cookie"])[1]
    assert "set-cookie" not in ask(guard, cookie=f"bench_browser={name}").headers
    assert "set-cookie" in ask(guard, cookie="bench_browser=../../etc/passwd").headers
    known = {"client": PHONE, "host": LAN, "cookie": f"bench_browser={name}"}
    assert ask(guard, **known).status_code == 303


# the served page itself


def test_the_served_page_refuses_what_the_guard_refuses(bench_address):
    from websockets.exceptions import InvalidStatus
    from websockets.sync.client import connect

    host = bench_address.removeprefix("http://").strip("/")
    with httpx.Client(base_url=bench_address) as http:
        assert http.get("/").status_code == 200
        assert http.get("/", headers={"host": "rebound.example"}).status_code == 421
        assert http.post("/", headers={"origin": "http://other.example"}).status_code == 403
        assert http.get("/openapi.json").status_code == 404
        for size in (20_000, 60_000):
            assert http.get("/", headers={"x": "y" * size}).status_code in (400, 431)
            assert http.get(f"/?open={'y' * size}").status_code in (400, 431)
        for name in ("../courtyard.toml", "..%2fcourtyard.toml", "/etc/passwd", "%00.toml"):
            answer = http.get(f"/?open={name}")
            assert "write a plain name" in answer.text
            assert "root:" not in answer.text
    path = "/_nicegui_ws/socket.io/?EIO=4&transport=websocket"
    for origin in (None, "http://other.example", "null"):
        with pytest.raises(InvalidStatus), connect(f"ws://{host}{path}", origin=origin):
            pass
    with connect(f"ws://{host}{path}", origin=f"http://{host}") as ours:
        assert ours.recv(timeout=5).startswith("0")  # opened, as engine.io says


def test_a_request_that_is_never_ended_is_cut_off(monkeypatch):
    """One says nothing, one never ends its lines; a hundred would keep all others out."""
    import uvicorn

    from raytrace.live import server

    monkeypatch.setattr(server, "IDLE", 0.05)

    async def go():
        config = uvicorn.Config(Behind(), http=server.Impatient, port=0, log_level="error")
        served = uvicorn.Server(config)
        serving = asyncio.create_task(served.serve())
        while not served.started:
            await asyncio.sleep(0.01)
        port = served.servers[0].sockets[0].getsockname()[1]
        for said in (b"", b"GET / HTTP/1.1\r\nhost: x\r\n"):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(said)
            assert await asyncio.wait_for(reader.read(), 5.0) == b""
            writer.close()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET / HTTP/1.1\r\nhost: x\r\n\r\n")
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        writer.close()
        served.should_exit = True
        await serving

    run(go())


def test_another_site_s_page_gets_nowhere(bench_address, browser):
    """A page of another origin, in a browser that has ours open: no line, no answer, no frame."""
    context = browser.new_context()
    ours = context.new_page()
    ours.goto(bench_address)
    other = context.new_page()
    other.route("http://other.example/", lambda r: r.fulfill(body="<p>x", content_type="text/html"))
    other.goto("http://other.example/")
    line = """address => new Promise(done => {
        const line = new WebSocket(address.replace("http", "ws") +
            "_nicegui_ws/socket.io/?EIO=4&transport=websocket");
        line.onopen = () => done("open"); line.onerror = () => done("refused"); })"""
    assert other.evaluate(line, bench_address) == "refused"
    read = "address => fetch(address).then(() => 'read', () => 'refused')"
    assert other.evaluate(read, bench_address) == "refused"
    frame = """address => new Promise(done => { const frame = document.createElement("iframe");
        frame.onload = () => { try { done(frame.contentDocument ? "empty" : "shut"); }
        catch { done("shut"); } }; frame.src = address; document.body.append(frame); })"""
    assert other.evaluate(frame, bench_address) == "shut"
    context.close()


def test_a_phone_enters_by_the_code_of_the_terminal_once(bench_server, browser):
    """By the picture's address; what the page then loads and computes is not waited for."""
    _, lines = bench_server
    found = re.search(r"leads in at ((\S+/)enter#(\w+))", lines)
    if found is None:
        pytest.skip("this machine is on no network")
    way_in, outside, code = found.groups()
    assert code in lines.replace(" ", "").partition("Codeforonemoredevice:")[2]
    phone, stranger = (browser.new_context().new_page() for _ in range(2))
    for page in (phone, stranger):
        page.route("**/_nicegui/**", lambda route: route.abort())
    phone.goto(way_in)
    phone.wait_for_url(outside)
    assert phone.request.get(outside).ok
    (key,) = (c for c in phone.context.cookies() if c["name"] != "bench_browser")
    assert (key["httpOnly"], key["sameSite"]) == (True, "Strict")
    stranger.goto(way_in)
    stranger.get_by_text("it has been used").wait_for()
    stranger.goto(outside)
    assert stranger.url == f"{outside}enter"
    for page in (phone, stranger):
        page.context.close()


# the folder


@pytest.fixture
def folder(tmp_path, bench_folder):
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "courtyard.toml").write_text((bench_folder / "courtyard.toml").read_text())
    (tmp_path / "secret.toml").write_text('title = "secret"')
    return Folder(inside)


@pytest.mark.parametrize(
    "name",
    ["", ".toml", "../secret.toml", "/etc/passwd", "a/b.toml", "a\\b.toml", "..", "C:x.toml",
     "x.toml:y.toml", "x.toml\0", "x\n.toml", ".hidden.toml", "x.csv", "x.toml.exe", "CON.toml",
     "nul.a.toml", "x" * 300 + ".toml", "\u202ex.toml", "~x.toml", "$x.toml", "%2e%2e.toml/"],
)  # fmt: skip
def test_only_plain_names_are_taken(folder, name, tmp_path):
    before = sorted(p.name for p in tmp_path.rglob("*"))
    for act in (folder.read, lambda n: folder.write(n, "x", replace=True)):
        with pytest.raises(StoreError) as refused:
            act(name)
        assert str(tmp_path) not in str(refused.value)
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


def test_links_that_lead_out_are_left_alone(folder, tmp_path):
    (folder.path / "out.toml").symlink_to(tmp_path / "secret.toml")
    (folder.path / "round.toml").symlink_to(folder.path / "round.toml")
    (folder.path / "in.toml").symlink_to(folder.path / "courtyard.toml")
    os.mkfifo(folder.path / "pipe.toml")
    assert {"out.toml"} & set(folder.names()) == set()
    assert {"in.toml", "courtyard.toml"} <= set(folder.names())
    for name in ("out.toml", "round.toml", "pipe.toml"):
        with pytest.raises(StoreError):
            folder.read(name)
        with pytest.raises(StoreError):
            folder.write(name, "x", replace=True)
    assert (tmp_path / "secret.toml").read_text() == 'title = "secret"'


def test_nothing_is_replaced_unasked_and_nothing_huge_is_read_or_written(folder):
    with pytest.raises(StoreError, match="is there already"):
        folder.write("courtyard.toml", "x")
    (folder.path / "huge.toml").write_bytes(b"#" * (LARGEST + 1))
    with pytest.raises(StoreError, match="longer than"):
        folder.read("huge.toml")
    with pytest.raises(StoreError, match="longer than"):
        folder.write("new.toml", "#" * (LARGEST + 1))
    assert folder.write("new.toml", "x = 1\n") == 6
    assert folder.read("new.toml") == "x = 1\n"
    folder.write("new.toml", "x = 2\n", replace=True)
    assert folder.read("new.toml") == "x = 2\n"


def test_tables_outside_the_folder_are_refused(folder, tmp_path):
    (tmp_path / "places.csv").write_text("secret\n")
    (folder.path / "link.csv").symlink_to(tmp_path / "places.csv")
    bench = Bench(Start(folder.path / "courtyard.toml", folder))
    for name in ("../places.csv", str(tmp_path / "places.csv"), "link.csv", "../no.csv"):
        for key in ("facets.states", "site.horizon", "sky.weather_file"):
            with pytest.raises(ScenarioError, match="lies outside the scenario's folder") as told:
                bench.change({key: name})
            assert "secret" not in str(told.value)
    assert bench.changes == ()


# each page's own


def test_two_pages_share_nothing_and_each_browser_finds_its_own_again(folder, tmp_path):
    start = Start(folder.path / "courtyard.toml", folder)
    memory = Memory(tmp_path / "results" / "courtyard-bench.json")
    one, two = (Bench(start, "", memory, name) for name in ("one", "two"))
    told = []
    one.listen(lambda: told.append("one"))
    two.listen(lambda: told.append("two"))
    one.change({"errors.setting": "4 mm"})
    one.note("cook", {"litres": 3})
    assert told == ["one"]
    assert two.changes == ()
    assert one.scenario.errors.setting != two.scenario.errors.setting
    with pytest.raises(ScenarioError, match=r"errors\.setting"):
        one.change({"errors.setting": "4 parrots", "errors.slope": "1"})
    assert one.changes == ("errors.setting=4 mm",)
    memory.write()
    again = Memory(memory.path)
    assert Bench(start, "", again, "one").changes == one.changes
    assert Bench(start, "", again, "one").noted("cook") == {"litres": 3}
    assert Bench(start, "", again, "two").changes == ()
    other = tmp_path / "other" / "courtyard.toml"
    other.parent.mkdir()
    other.write_text(one.text)
    there = Bench(Start(other, Folder(other.parent)), "", again, "one")
    assert there.changes == (), "of another file by the same name"
    one.start_over()
    assert one.changes == ()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"kind": 1}', '{"kind": "cooker bench", "browsers": []}', "[" * 9999]
)
def test_a_memory_that_is_damaged_is_left_aside(tmp_path, text):
    path = tmp_path / "x-bench.json"
    path.write_text(text)
    memory = Memory(path)
    assert memory.of("one") == {}
    memory.keep("one", {"changes": {}})
    memory.write()
    if text in ("", '{"kind": "cooker bench", "browsers": []}'):
        assert Memory(path).of("one")["changes"] == {}
    else:
        assert path.read_text() == text  # another's


def test_what_was_left_and_fits_no_more_is_dropped_and_said(folder, tmp_path):
    start = Start(folder.path / "courtyard.toml", folder)
    memory = Memory(tmp_path / "x.json")
    file = str(start.scenario.resolve())
    memory.keep("one", {"file": file, "changes": {"facets.wings": "2"}, "notes": 3})
    bench = Bench(start, "", memory, "one")
    assert bench.changes == ()
    assert "dropped" in bench.notice
