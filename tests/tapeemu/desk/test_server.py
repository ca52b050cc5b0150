"""The desk's server: what it answers, and whom."""

import http.client
import json
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapeemu.desk.server import DeskServer
from tapeemu.desk.stems import PageStem
from tapeemu.presets import load_preset

PRESET = 'format = 1\npurpose = "A test."\n\n[[stages]]\nkind = "preamp_drive"\ndrive_db = 3.0\n'


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[DeskServer]:
    monkeypatch.setenv("TAPEEMU_PRESETS", str(tmp_path / "presets"))
    samples = np.arange(4, dtype="<i2").tobytes()
    stem = PageStem("tone", 48_000, 1, 4, "s16", samples, False, tmp_path / "tone.wav", (0, 0))
    server = DeskServer([stem], load_preset("preamplifier-alone"))
    monkeypatch.setattr(server.bench, "measure_file", lambda path: None)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()


def ask(
    server: DeskServer, method: str, path: str, body: Any = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=60)
    raw = None if body is None else json.dumps(body).encode()
    given = {"Host": f"127.0.0.1:{server.server_port}", "Origin": server.origin, **headers}
    try:
        connection.request(
            method, path, raw, {name.replace("_", "-"): value for name, value in given.items() if value}
        )
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read()
    finally:
        connection.close()


def with_key(server: DeskServer) -> dict[str, str]:
    return {"X_Desk_Key": server.key}


def test_it_listens_on_the_loopback_address_alone(server: DeskServer) -> None:
    assert server.server_address[0] == "127.0.0.1"


def test_the_token_opens_the_page_once(server: DeskServer) -> None:
    path = server.address.removeprefix(server.origin)
    assert ask(server, "GET", "/")[0] == 403
    assert ask(server, "GET", "/?token=guess")[0] == 403
    status, headers, page = ask(server, "GET", path, Origin="")
    assert status == 200
    assert b"desk-data" in page
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "'unsafe-eval'" not in policy
    assert "script-src 'nonce-" in policy
    assert ask(server, "GET", path)[0] == 403
    # The page that was opened may be loaded again.
    cookie = headers["Set-Cookie"].split(";")[0]
    assert "HttpOnly" in headers["Set-Cookie"]
    assert "SameSite=Strict" in headers["Set-Cookie"]
    assert ask(server, "GET", server.place, Cookie=cookie)[0] == 200


def test_the_cookie_is_not_sent_to_other_ports_and_is_not_the_key(server: DeskServer) -> None:
    """Browsers send cookies to every port of a host: the server of another user would have got the key."""
    headers = ask(server, "GET", server.address.removeprefix(server.origin), Origin="")[1]
    assert f"Path={server.place};" in headers["Set-Cookie"] + ";"
    assert len(server.place) > 16
    assert server.key not in headers["Set-Cookie"]
    cookie = headers["Set-Cookie"].split(";")[0]
    assert ask(server, "GET", "/", Cookie=cookie)[0] == 403
    for wrong in ("", "desk=guess", f"desk={server.key}", "bad\x01name=1", 'desk="', "desk=\u00e9"):
        assert ask(server, "GET", server.place, Cookie=wrong)[0] == 403


def answers(server: DeskServer, *requests: bytes) -> list[bytes]:
    """Status lines of what comes back for raw bytes, until the server ends the connection."""
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as connection:
        connection.sendall(b"".join(requests))
        connection.shutdown(socket.SHUT_WR)
        raw = b""
        while part := connection.recv(1 << 16):
            raw += part
    return [line for line in raw.split(b"\r\n") if line.startswith(b"HTTP/1.1 ")]


POST = b"POST /measure HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nX-Desk-Key: {key}\r\n"


@pytest.mark.parametrize(
    "head",
    [
        b"GET http://[ HTTP/1.1\r\nHost: {host}\r\n\r\n",
        POST + b"Content-Length: \xb2\r\n\r\n",
        POST + b"Content-Length: " + b"9" * 5000 + b"\r\n\r\n",
        POST + b"Transfer-Encoding: chunked\r\nContent-Length: 2\r\n\r\n{}",
    ],
)
def test_broken_requests_are_answered_in_a_sentence(server: DeskServer, head: bytes) -> None:
    """They ended the thread with a traceback, or were taken for another length."""
    host = f"127.0.0.1:{server.server_port}".encode()
    raw = head.replace(b"{host}", host).replace(b"{origin}", server.origin.encode())
    (status,) = answers(server, raw.replace(b"{key}", server.key.encode()))
    assert status.split()[1] in (b"400", b"413")


def test_nothing_in_the_body_of_a_refused_request_is_taken_for_a_request(server: DeskServer) -> None:
    host = f"Host: 127.0.0.1:{server.server_port}\r\n".encode()
    hidden = b"GET /figures HTTP/1.1\r\n" + host + f"X-Desk-Key: {server.key}\r\n\r\n".encode()
    length = f"Content-Length: {len(hidden)}\r\n\r\n".encode()
    for head in (
        b"POST /measure HTTP/1.1\r\n" + host + b"Origin: http://example.org\r\n",
        b"GET / HTTP/1.1\r\n" + host,
    ):
        (status,) = answers(server, head, length, hidden)
        assert status.split()[1] == b"403"
    (status,) = answers(
        server, b"GET /figures HTTP/1.1\r\n", host, f"X-Desk-Key: {server.key}\r\n".encode(), length, hidden
    )
    assert status.split()[1] == b"200"


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/stem?number=0"), ("GET", "/stale"), ("POST", "/save"), ("POST", "/measure"), ("GET", "/figures")],
)
def test_nothing_is_answered_without_the_key(server: DeskServer, method: str, path: str) -> None:
    body = {"text": PRESET, "name": "stolen"} if method == "POST" else None
    assert ask(server, method, path, body)[0] == 403
    assert ask(server, method, path, body, X_Desk_Key="guess")[0] == 403
    cookie = f"desk={server.key}"  # a cookie alone is sent along by any page of this host
    assert ask(server, method, path, body, Cookie=cookie)[0] == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://example.org"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://127.0.0.1:1"},
        {"Host": "example.org"},
        {"Host": "127.0.0.1:1"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_other_origins_and_other_names_are_refused(server: DeskServer, headers: dict[str, str]) -> None:
    body = {"text": PRESET, "name": "stolen"}
    assert ask(server, "POST", "/save", body, **with_key(server), **headers)[0] == 403
    assert not (Path(user_presets(server)) / "stolen.toml").exists()


def user_presets(_: DeskServer) -> str:
    import os

    return os.environ["TAPEEMU_PRESETS"]


def test_stems_are_given_as_they_are(server: DeskServer) -> None:
    status, _, raw = ask(server, "GET", "/stem?number=0", **with_key(server))
    assert (status, raw) == (200, np.arange(4, dtype="<i2").tobytes())
    for number in ("1", "-1", "..", ""):
        assert ask(server, "GET", f"/stem?number={number}", **with_key(server))[0] == 404


def test_a_preset_is_saved_whole_and_keeps_its_comments(server: DeskServer) -> None:
    text = "# mine\n" + PRESET
    status, _, raw = ask(server, "POST", "/save", {"text": text, "name": "mine"}, **with_key(server))
    assert status == 200, raw
    path = Path(json.loads(raw)["path"])
    assert path == Path(user_presets(server)) / "mine.toml"
    assert path.read_text("utf-8") == text
    again = ask(server, "POST", "/save", {"text": text, "name": "mine"}, **with_key(server))
    assert again[0] == 422
    assert b"overwrite" in again[2] or b"exists" in again[2]
    allowed = {"text": PRESET, "name": "mine", "overwrite": True}
    assert ask(server, "POST", "/save", allowed, **with_key(server))[0] == 200
    assert path.read_text("utf-8") == PRESET
    # One with the name of a shipped one is told of: all commands take it from now on.
    assert b"shipped" not in raw
    told = ask(server, "POST", "/save", {"text": PRESET, "name": "tape-alone"}, **with_key(server))[2]
    assert "tape-alone.toml, in front of the shipped preset of this name" in json.loads(told)["message"]


@pytest.mark.parametrize("name", ["../out", "a/b", "Upper", "", ".hidden", "a" * 81, "nul\0"])
def test_names_cannot_leave_the_folder(server: DeskServer, tmp_path: Path, name: str) -> None:
    assert ask(server, "POST", "/save", {"text": PRESET, "name": name}, **with_key(server))[0] == 422
    assert not list(tmp_path.rglob("*.toml"))


def test_mistakes_of_a_preset_are_told_with_their_lines(server: DeskServer) -> None:
    wrong = PRESET.replace("3.0", "300.0")
    for path in ("/save", "/measure"):
        status, _, raw = ask(server, "POST", path, {"text": wrong, "name": "wrong"}, **with_key(server))
        assert status == 422
        assert "line 6" in json.dumps(json.loads(raw))


def test_what_is_no_preset_at_all_is_refused(server: DeskServer) -> None:
    assert ask(server, "POST", "/measure", [1], **with_key(server))[0] == 400
    assert ask(server, "POST", "/measure", {"text": 1}, **with_key(server))[0] == 400
    deep = b"[" * 100_000
    key = f"X-Desk-Key: {server.key}\r\nContent-Length: {len(deep)}\r\n\r\n"
    head = f"POST /measure HTTP/1.1\r\nHost: 127.0.0.1:{server.server_port}\r\nOrigin: {server.origin}\r\n{key}"
    assert answers(server, head.encode(), deep)[0].split()[1] == b"400"
    assert ask(server, "POST", "/measure", {"text": "a = " + "[" * 90_000}, **with_key(server))[0] == 422
    assert ask(server, "POST", "/measure", {"text": "x" * (1 << 23)}, **with_key(server))[0] == 413
    assert ask(server, "GET", "/../presets", **with_key(server))[0] == 404
    assert ask(server, "PUT", "/save", {"text": PRESET}, **with_key(server))[0] == 501
