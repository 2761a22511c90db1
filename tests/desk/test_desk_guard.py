"""Who may see and who may wish; what is too long, broken or outside is turned away in one sentence."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from desk_samples import FakeSource
from httpx2 import Response
from starlette.testclient import TestClient

from sim_plant.desk.guard import BODY_MAX, HEADERS, Guard
from sim_plant.desk.server import Desk, read_files

PORT = 8600
HOME = f"http://127.0.0.1:{PORT}"
PAUSE = {"kind": "pause", "on": True}
STOP = {"kind": "order", "verb": "stop", "unit": 1, "by": "Ada"}
PAGE_BYTES_MAX = 200_000
PRIVATE = ["/", "/about", "/events", "/picture", "/history"]


def client(source: FakeSource, guard: Guard, key: str | None) -> TestClient:
    made = TestClient(Desk(source, guard).app(), base_url=HOME, headers={"origin": HOME})
    if key is not None:
        made.cookies.set(guard.cookie, key)
    return made


@pytest.fixture
def source() -> FakeSource:
    return FakeSource()


@pytest.fixture
def guard() -> Guard:
    return Guard("127.0.0.1", PORT)


@pytest.fixture
def inside(source: FakeSource, guard: Guard) -> TestClient:
    """A page that holds the key."""
    return client(source, guard, guard.key)


def refused(response: Response, status: int, words: str) -> None:
    assert response.status_code == status
    assert words in response.json()["error"]
    assert "Traceback" not in response.text


# --- the key ----------------------------------------------------------------------------------------


def test_with_key_and_origin_a_wish_is_handed_on(inside: TestClient, source: FakeSource) -> None:
    answer = inside.post("/wish", json=PAUSE)

    assert answer.json() == {"ok": True, "text": "done"}
    assert [wish.kind for wish in source.asked] == ["pause"]


@pytest.mark.parametrize("key", [None, "", "wrong", "kéy"])
def test_without_the_right_key_nothing_is_wished(source: FakeSource, guard: Guard, key: str | None) -> None:
    outside = client(source, guard, None)
    cookie = {} if key is None else {"cookie": f"{guard.cookie}={key}".encode()}

    refused(outside.post("/wish", json=PAUSE, headers=cookie), 403, "it holds the key")

    assert not source.asked


@pytest.mark.parametrize("path", PRIVATE)
def test_without_the_key_nothing_of_the_plant_is_shown(source: FakeSource, guard: Guard, path: str) -> None:
    refused(client(source, guard, "wrong").get(path), 403, "it holds the key")


def test_the_printed_address_makes_the_key_a_strict_cookie(source: FakeSource, guard: Guard) -> None:
    outside = client(source, guard, None)

    response = outside.get("/enter", params={"key": guard.key})

    cookie = response.headers["set-cookie"]
    assert f"{guard.cookie}={guard.key}" in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert outside.get("/").status_code == 200


def test_a_wrong_key_in_the_address_makes_no_cookie(source: FakeSource, guard: Guard) -> None:
    response = client(source, guard, None).get("/enter", params={"key": guard.key[:-1]})

    refused(response, 403, "another start")
    assert "set-cookie" not in response.headers


def test_each_start_has_a_key_of_its_own_that_cannot_be_guessed() -> None:
    keys = {Guard("127.0.0.1", PORT).key for _ in range(50)}

    assert len(keys) == 50
    assert min(map(len, keys)) >= 32


# --- where it comes from ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "", f"https://127.0.0.1:{PORT}", HOME + "1"]
)
def test_a_wish_from_another_page_is_turned_away(inside: TestClient, source: FakeSource, origin: str) -> None:
    refused(inside.post("/wish", json=PAUSE, headers={"origin": origin}), 403, "own page")

    assert not source.asked


def test_a_wish_without_origin_is_turned_away(source: FakeSource, guard: Guard) -> None:
    bare = TestClient(Desk(source, guard).app(), base_url=HOME, cookies={guard.cookie: guard.key})

    refused(bare.post("/wish", json=PAUSE), 403, "own page")


@pytest.mark.parametrize("host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1:80", "127.0.0.1", ""])
def test_a_host_that_we_are_not_is_turned_away(inside: TestClient, source: FakeSource, host: str) -> None:
    both = {"host": host, "origin": f"http://{host}"}

    refused(inside.post("/wish", json=PAUSE, headers=both), 421, "not known under that name")

    assert not source.asked


@pytest.mark.parametrize("host", [f"localhost:{PORT}", f"127.0.0.1:{PORT}", f"[::1]:{PORT}"])
def test_the_names_of_this_machine_are_known(inside: TestClient, host: str) -> None:
    assert inside.get("/static/desk.css", headers={"host": host}).status_code == 200


def test_a_name_is_no_address_even_when_we_listen_everywhere(source: FakeSource) -> None:
    guard = Guard("0.0.0.0", PORT)
    everywhere = client(source, guard, guard.key)

    assert everywhere.get("/static/desk.css", headers={"host": f"192.0.2.7:{PORT}"}).status_code == 200
    refused(everywhere.get("/", headers={"host": f"evil.example:{PORT}"}), 421, "not known")


# --- what it brings ---------------------------------------------------------------------------------


def test_a_body_of_ten_megabytes_is_turned_away(inside: TestClient, source: FakeSource) -> None:
    body = b'{"kind":"pause","on":true,"x":"' + b"x" * 10_000_000 + b'"}'

    refused(inside.post("/wish", content=body, headers={"content-type": "application/json"}), 413, "too long")

    assert not source.asked


def test_a_body_that_does_not_say_its_length_is_cut_off_at_the_limit(inside: TestClient) -> None:
    sent = 0

    def pieces() -> Iterator[bytes]:
        nonlocal sent
        for _ in range(160):
            sent += BODY_MAX
            yield b"x" * BODY_MAX

    refused(
        inside.post("/wish", content=pieces(), headers={"content-type": "application/json"}), 413, "too long"
    )


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 50_000, "not JSON"),
        (b"[]", "must be an object"),
        (b'"pause"', "must be an object"),
        (b"{}", "kind"),
        (b'{"kind":"reboot"}', "reboot"),
        (b'{"kind":"pause","on":true,"more":1}', "more"),
        (b'{"kind":"pace","speed":-1}', "speed"),
        (b'{"kind":"pace","speed":NaN}', "speed"),
        (b'{"kind":"back","to_s":1e999}', "to_s"),
        (b'{"kind":"scans","count":1000000}', "count"),
        (b'{"kind":"save","title":"two\\nlines"}', "one line"),
        (b'{"kind":"save","title":"' + b"x" * 121 + b'"}', "title"),
        (b'{"kind":"save","text":"a bell \\u0007"}', "can be seen"),
        (b'{"kind":"save","text":"' + b"x" * 2001 + b'"}', "text"),
        (b'{"kind":"save","text":"x' + b"\\n" * 50 + b'x"}', "at most 40"),
        (b'{"kind":"order","verb":"explode","unit":1,"by":"Ada"}', "verb"),
        (b'{"kind":"order","verb":"stop","unit":1,"by":""}', "by"),
        (b'{"kind":"order","verb":"stop","unit":-1,"by":"Ada"}', "unit"),
        (b'{"kind":"deed","step":{}}', "exactly one of"),
        (b'{"kind":"deed","step":{"power":"off","tank_pct":3}}', "exactly one of"),
        (b'{"kind":"deed","step":{"power":"off","at_s":3}}', "at_s is set by the desk"),
        (b'{"kind":"deed","step":{"command":"stop"}}', "command is set by the desk"),
        (b'{"kind":"deed","in_s":1e9,"step":{"power":"off"}}', "in_s"),
        (b'{"kind":"deed","step":{"operate":"../../etc on"}}', "operate"),
    ],
)
def test_what_is_no_wish_is_refused_in_one_sentence(
    inside: TestClient, source: FakeSource, body: bytes, words: str
) -> None:
    response = inside.post("/wish", content=body, headers={"content-type": "application/json"})

    refused(response, 422, words)
    assert "\n" not in response.json()["error"]
    assert not source.asked


def test_a_form_is_no_wish(inside: TestClient, source: FakeSource) -> None:
    response = inside.post(
        "/wish", content=b'{"kind":"pause","on":true}', headers={"content-type": "text/plain"}
    )

    refused(response, 415, "application/json")
    assert not source.asked


def test_what_takes_no_wishes_says_so(guard: Guard) -> None:
    source = FakeSource(takes_wishes=False)

    refused(client(source, guard, guard.key).post("/wish", json=STOP), 422, "takes no wishes")

    assert not source.asked


@pytest.mark.parametrize(
    "wish",
    [
        PAUSE,
        {"kind": "pace", "speed": 5},
        {"kind": "scans", "count": 1},
        {"kind": "back", "to_s": 5},
    ],
)
def test_what_takes_no_wishes_lets_time_be_moved(guard: Guard, wish: dict[str, object]) -> None:
    source = FakeSource(takes_wishes=False)

    assert client(source, guard, guard.key).post("/wish", json=wish).status_code == 200

    assert [asked.kind for asked in source.asked] == [wish["kind"]]


@pytest.mark.parametrize("query", ["unit=0", "unit=3", "unit=x", "unit=nan", "from_s=-1", "points=1e9"])
def test_a_history_that_does_not_exist_is_refused(inside: TestClient, query: str) -> None:
    assert inside.get(f"/history?{query}").status_code == 422


# --- files and headers ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/..%2fserver.py",
        "/static/%2e%2e%2f%2e%2e%2fpyproject.toml",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/vendor/uplot.js",
        "/static/uplot.LICENSE",
        "/static/desk.css%00.js",
        "/static/",
        "/server.py",
        "/docs",
    ],
)
def test_no_path_of_a_request_reaches_the_disk(inside: TestClient, path: str) -> None:
    refused(inside.get(path), 404, "no such page")


def test_every_file_that_the_page_names_is_served_with_its_type(inside: TestClient) -> None:
    files = read_files()
    page = inside.get("/").text

    assert files.keys() >= {"main.js", "uplot.js", "desk.css", "index.html"}
    for name, (body, media_type) in files.items():
        response = inside.get(f"/static/{name}")
        assert response.content == body
        assert response.headers["content-type"].startswith(media_type)
    assert "://" not in page.replace("http://www.w3.org", "")


def test_the_whole_page_is_small() -> None:
    assert sum(len(body) for body, _ in read_files().values()) < PAGE_BYTES_MAX


@pytest.mark.parametrize(
    ("path", "status"), [("/", 200), ("/static/main.js", 200), ("/nothing", 404), ("/wish", 405)]
)
def test_every_answer_bears_the_headers(inside: TestClient, path: str, status: int) -> None:
    response = inside.get(path)

    assert response.status_code == status
    for name, value in HEADERS.items():
        assert response.headers[name] == value


def test_an_answer_that_is_turned_away_bears_them_too(inside: TestClient) -> None:
    response = inside.get("/", headers={"host": "evil.example"})

    assert response.headers["Content-Security-Policy"] == HEADERS["Content-Security-Policy"]


def test_scripts_and_styles_come_from_the_desk_alone() -> None:
    policy = HEADERS["Content-Security-Policy"]

    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    index = read_files()["index.html"][0].decode()
    assert "<style" not in index
    assert " onclick" not in index
    assert " style=" not in index
