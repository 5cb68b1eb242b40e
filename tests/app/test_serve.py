"""What the local page hands out, and to whom."""

from __future__ import annotations

import http.client
import re
import threading
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from rehit.app.serve import HOST, Desk, make_server
from rehit.errors import SettingError


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with one project that has a result, and a secret beside it."""
    results = tmp_path / "town" / "results"
    results.mkdir(parents=True)
    (tmp_path / "town" / "rehit.toml").write_text("[project]\n")
    (results / "report.html").write_text("<p>made</p>")
    (results / "a.csv").write_text("x\n1\n")
    (tmp_path / "town" / "incidents.csv").write_text("secret")
    (results / "led_out.csv").symlink_to(tmp_path / "town" / "incidents.csv")
    (tmp_path / "not_a_project" / "results").mkdir(parents=True)
    (tmp_path / "not_a_project" / "results" / "a.csv").write_text("x")
    return tmp_path


@pytest.mark.parametrize("path", [
    "town/../incidents.csv", "town/..%2fincidents.csv", "town/led_out.csv", "town/", "town",
    "not_a_project/a.csv", "../town/results/a.csv", "..", "", "town//etc/passwd",
    "town/none.html"])
def test_only_results_of_projects_are_handed_out(home: Path, path: str) -> None:
    assert Desk(home).file(path) is None


def test_a_result_is_found(home: Path) -> None:
    found = Desk(home).file("town/report.html")
    assert found is not None
    assert found.read_text() == "<p>made</p>"


def test_projects_are_the_folders_with_a_project_file(home: Path) -> None:
    assert [folder.name for folder in Desk(home).projects()] == ["town"]


def test_two_desks_have_two_tokens() -> None:
    assert len({Desk(Path()).token for _ in range(50)}) == 50


def test_a_taken_port_is_refused_in_a_sentence(home: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        with pytest.raises(SettingError):
            make_server(home, port=taken.getsockname()[1])


def test_without_the_token_there_is_nothing(home: Path) -> None:
    """A file is handed out by its full address only, and only to who asks for this machine."""
    server, address = make_server(home)
    server.start()
    loop = threading.Thread(target=server.io_loop.start, daemon=True)
    loop.start()
    base, token = address.rsplit("/", 1)
    try:
        assert _status(f"{address}/files/town/report.html") == 200
        assert _status(f"{base}/files/town/report.html") == 404
        assert _status(f"{base}/{'x' * len(token)}/files/town/report.html") == 404
        assert _status(f"{address}/files/town/../incidents.csv") == 404
        assert _status(f"{address}/files/town/report.html", host="elsewhere.example") == 404
    finally:
        server.io_loop.add_callback(server.io_loop.stop)
        loop.join(10)
        server.stop()


def test_a_page_of_another_origin_cannot_speak_to_the_server(home: Path) -> None:
    """A browser names the page that opens a connection (RFC 6455, section 10.2)."""
    server, address = make_server(home)
    server.start()
    loop = threading.Thread(target=server.io_loop.start, daemon=True)
    loop.start()
    own = address.rpartition("/")[0]
    try:
        with urllib.request.urlopen(address, timeout=60) as page:
            token = re.findall(rb'"token": ?"([^"]+)"', page.read())[0].decode()
        for origin, told in ((own, 101), ("http://elsewhere.example", 403)):
            assert _upgrade(address, token, origin) == told
    finally:
        server.io_loop.add_callback(server.io_loop.stop)
        loop.join(10)
        server.stop()


def _upgrade(address: str, token: str, origin: str) -> int:
    """Ask for a WebSocket connection as a page of some origin would, and return the status."""
    where = http.client.HTTPConnection(address.split("/")[2], timeout=20)
    where.request("GET", f"/{address.rpartition('/')[2]}/ws", headers={
        "Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Origin": origin,
        "Sec-WebSocket-Protocol": f"bokeh, {token}"})
    status = where.getresponse().status
    where.close()
    return status


def _status(address: str, host: str = "") -> int:
    asked = urllib.request.Request(address, headers={"Host": host} if host else {})
    try:
        with urllib.request.urlopen(asked, timeout=20) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code
