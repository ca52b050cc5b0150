"""The desk on this machine's own address: the page, its stems, presets saved, figures measured while it plays.

Whoever opens the address first, with the token that was printed, gets a key; every further request needs it. So no
other page in the same browser, and no other user of the machine, reads or writes anything here.

A browser sends the cookies of a host to every port of it. The cookie by which the page is opened again
is therefore tied to a path that nobody else knows: a server of another user, on another port, never gets it.
"""

import hmac
import json
import re
import secrets
import threading
from collections.abc import Callable, Sequence
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, ClassVar
from urllib.parse import parse_qs, urlsplit

from tapeemu.desk.bench import Bench
from tapeemu.desk.page import content_policy, desk_page
from tapeemu.desk.stems import PageStem, stale_stems
from tapeemu.errors import OutputError, PresetError, TapeemuError
from tapeemu.files.part_files import make_folder
from tapeemu.presets import Preset, load_preset, parse_preset, user_folder
from tapeemu.presets.places import NAME, shipped_folder
from tapeemu.presets.writing import write_text

__all__ = ["DeskServer"]

_MOST_BYTES = 1 << 20
_MOST_IGNORED_BYTES = 16 << 20
"""So much of what is too long is read and thrown away: a sender that is cut off sees no answer."""
_COOKIE = "desk"


class DeskServer(ThreadingHTTPServer):
    """Serves one desk on the loopback address.

    Parameters
    ----------
    stems : sequence of PageStem
        What loops.
    preset : Preset
        What it opens with.
    port : int
        0 for any that is free.

    Attributes
    ----------
    address : str
        What to open, with the token in it; works once.
    place : str
        Path that the page is loaded again from, with the cookie that it got.
    """

    daemon_threads = True
    block_on_close = False

    def __init__(self, stems: Sequence[PageStem], preset: Preset, *, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.stems = list(stems)
        self.preset = preset
        self.bench = Bench()
        self.key = secrets.token_urlsafe(32)
        self.cookie = secrets.token_urlsafe(32)
        self.place = f"/{secrets.token_urlsafe(16)}"
        self._token: str | None = secrets.token_urlsafe(32)
        self._taking = threading.Lock()
        self.origin = f"http://127.0.0.1:{self.server_port}"
        self.address = f"{self.origin}/?token={self._token}"

    def take_token(self, given: str) -> bool:
        """Whether this is the token, which then is spent."""
        with self._taking:
            if self._token is None or not hmac.compare_digest(given.encode(), self._token.encode()):
                return False
            self._token = None
            return True

    @property
    def told(self) -> dict[str, str]:
        """What the page is told of its server."""
        return {"key": self.key, "place": self.place}

    def has_key(self, given: str | None) -> bool:
        """Whether this is the key that the page was given."""
        return given is not None and hmac.compare_digest(given.encode(), self.key.encode())


class _RefusedError(Exception):
    def __init__(self, status: HTTPStatus, message: str) -> None:
        super().__init__(message)
        self.status = status


class _Handler(BaseHTTPRequestHandler):
    server: DeskServer
    protocol_version = "HTTP/1.1"
    timeout = 30.0
    _taken = False
    """Whether the body of the request was read."""
    server_version = "desk"
    sys_version = ""

    ANSWERS: ClassVar[dict[tuple[str, str], str]] = {
        ("GET", "/"): "_page",
        ("GET", "/stem"): "_stem",
        ("GET", "/stale"): "_stale",
        ("POST", "/save"): "_save",
        ("POST", "/measure"): "_measure",
        ("GET", "/figures"): "_figures",
    }

    def do_GET(self) -> None:
        if "Content-Length" in self.headers or "Transfer-Encoding" in self.headers:
            self.close_connection = True  # no answer reads it
        self._answer("GET")

    def do_POST(self) -> None:
        self._answer("POST")

    def log_message(self, *_: Any) -> None:
        """Nothing is logged: addresses hold the token."""

    def _answer(self, method: str) -> None:
        self._taken = False
        try:
            self._check_sender(method)
            try:
                parts = urlsplit(self.path)
            except ValueError:
                raise _RefusedError(
                    HTTPStatus.BAD_REQUEST, "this is no address; open the desk by the one printed"
                ) from None
            again = (method, parts.path) == ("GET", self.server.place)
            name = "_page" if again else self.ANSWERS.get((method, parts.path))
            if name is None:
                raise _RefusedError(
                    HTTPStatus.NOT_FOUND, "the desk has no such page; open it by the address that was printed"
                )
            answer: Callable[[dict[str, list[str]]], None] = getattr(self, name)
            answer(parse_qs(parts.query))
        except _RefusedError as refused:
            # What is left of a request that was refused must not be taken for another one.
            self._ignore_body()
            self._send(refused.status, {"message": str(refused)})
        except PresetError as error:
            self._send(
                HTTPStatus.UNPROCESSABLE_ENTITY, {"message": error.heading, "mistakes": list(error.mistakes)}
            )
        except TapeemuError as error:
            self._send(HTTPStatus.UNPROCESSABLE_ENTITY, {"message": str(error), "mistakes": []})
        except (BrokenPipeError, ConnectionResetError, TimeoutError):
            self.close_connection = True

    def _check_sender(self, method: str) -> None:
        """Refuse what another page or another name for this address sends."""
        origins = {self.server.origin, self.server.origin.replace("127.0.0.1", "localhost")}
        hosts = {origin.removeprefix("http://") for origin in origins}
        if self.headers.get("Host") not in hosts:
            raise _RefusedError(
                HTTPStatus.FORBIDDEN, "this address is not the desk's; open it by the one that was printed"
            )
        origin = self.headers.get("Origin")
        if (origin is not None and origin not in origins) or (method == "POST" and origin is None):
            raise _RefusedError(
                HTTPStatus.FORBIDDEN, "the desk answers its own page only; open it by the address that was printed"
            )
        if self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            raise _RefusedError(
                HTTPStatus.FORBIDDEN, "the desk answers its own page only; open it by the address that was printed"
            )

    def _need_key(self) -> None:
        if not self.server.has_key(self.headers.get("X-Desk-Key")):
            raise _RefusedError(
                HTTPStatus.FORBIDDEN, "the key is missing; open the desk by the address that was printed"
            )

    def _body(self) -> Any:
        length = self._length()
        if length is None or length > _MOST_BYTES:
            raise _RefusedError(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"the request is larger than {_MOST_BYTES // 1024} KiB, or does not say how large; shorten it",
            )
        raw = self.rfile.read(length)
        self._taken = True
        try:
            body = json.loads(raw)
        except (ValueError, RecursionError):
            raise _RefusedError(HTTPStatus.BAD_REQUEST, "the request is not JSON; open the page again") from None
        if not isinstance(body, dict) or not isinstance(body.get("text"), str):
            raise _RefusedError(HTTPStatus.BAD_REQUEST, "the request has no preset in 'text'; open the page again")
        return body

    def _length(self) -> int | None:
        """Bytes of the request's body, as it says itself."""
        told = self.headers.get("Content-Length", "")
        return (
            int(told) if re.fullmatch(r"[0-9]{1,12}", told) and "Transfer-Encoding" not in self.headers else None
        )

    def _ignore_body(self) -> None:
        """Read a body that nobody wants and throw it away, and end the connection behind the answer."""
        self.close_connection = True
        left = 0 if self._taken else min(self._length() or 0, _MOST_IGNORED_BYTES)
        while left > 0 and (ignored := self.rfile.read(min(left, 1 << 16))):
            left -= len(ignored)

    def _send(self, status: HTTPStatus, content: Any, kind: str = "application/json", **headers: str) -> None:
        raw = content if isinstance(content, bytes) else json.dumps(content).encode()
        self.send_response(status)
        given = {
            "Content-Type": kind,
            "Content-Length": str(len(raw)),
            "Cache-Control": "no-store",
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cross-Origin-Opener-Policy": "same-origin",
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        for name, value in given.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(raw)

    # ------------------------------------------------------------ answers

    def _page(self, query: dict[str, list[str]]) -> None:
        opened = urlsplit(self.path).path == self.server.place and self._has_cookie()
        if not opened and not self.server.take_token((query.get("token") or [""])[0]):
            raise _RefusedError(HTTPStatus.FORBIDDEN, "this address was used or is wrong; start the desk again")
        nonce = secrets.token_hex(16)
        page = desk_page(self.server.stems, self.server.preset, server=self.server.told, nonce=nonce)
        self._send(
            HTTPStatus.OK,
            page.encode(),
            "text/html; charset=utf-8",
            Content_Security_Policy=f"{content_policy(nonce)}; frame-ancestors 'none'",
            Set_Cookie=f"{_COOKIE}={self.server.cookie}; HttpOnly; SameSite=Strict; Path={self.server.place}",
        )

    def _has_cookie(self) -> bool:
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get(_COOKIE)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(cookie.value.encode(), self.server.cookie.encode())

    def _stem(self, query: dict[str, list[str]]) -> None:
        self._need_key()
        number = (query.get("number") or [""])[0]
        if not re.fullmatch(r"\d{1,3}", number) or int(number) >= len(self.server.stems):
            raise _RefusedError(HTTPStatus.NOT_FOUND, f"there is no stem {number[:8]!r}; open the page again")
        self._send(HTTPStatus.OK, self.server.stems[int(number)].content, "application/octet-stream")

    def _stale(self, _: dict[str, list[str]]) -> None:
        self._need_key()
        self._send(HTTPStatus.OK, {"stale": stale_stems(self.server.stems)})

    def _save(self, _: dict[str, list[str]]) -> None:
        self._need_key()
        body = self._body()
        name = str(body.get("name", ""))
        if not NAME.fullmatch(name) or len(name) > 80:
            raise OutputError(
                f"{name!r} is not a possible name of a preset; use lower-case words and numbers joined by hyphens"
            )
        preset = parse_preset(body["text"], name=name)
        path = make_folder(user_folder()) / f"{name}.toml"
        if path.exists() and not body.get("overwrite"):  # which this page did not know of when it was opened
            raise OutputError(f"{path} exists already, saved elsewhere meanwhile; choose another name")
        write_text(preset.text, path, overwrite=bool(body.get("overwrite")))
        self.server.preset = load_preset(path)
        self.server.bench.measure_file(path)
        hides = ", in front of the shipped preset of this name" if (shipped_folder() / path.name).is_file() else ""
        self._send(HTTPStatus.OK, {"message": f"saved as {path}{hides}", "path": str(path)})

    def _measure(self, _: dict[str, list[str]]) -> None:
        self._need_key()
        preset = parse_preset(self._body()["text"], name="preset")
        self._send(HTTPStatus.OK, {"number": self.server.bench.measure(preset.chain)})

    def _figures(self, query: dict[str, list[str]]) -> None:
        self._need_key()
        self._send(HTTPStatus.OK, self.server.bench.figures((query.get("number") or ["0"])[0]))
