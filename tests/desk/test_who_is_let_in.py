"""What other pages, programs and names could try at the desk, tried: all of it refused, nothing written."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from desk.desk_helpers import Running, ask
from report.hostile import HOSTILE

from analyzer.core.errors import AnalyzerError
from analyzer.desk import server
from analyzer.desk.folder import LARGEST_LOG, Folder, safe_name

SAMPLE = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("desk") / "evening"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("report*", "faults", "*.gz"))
    shutil.copy(SAMPLE / "r01.csv.gz", folder)
    (folder.parent / "secret.toml").write_text("name = 'secret'\n")
    with Running(folder) as running:
        running.folder = folder
        yield running


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_page_itself_is_let_in(desk: Running):
    status, page, heads = ask(desk, "car")
    assert status == 200
    assert b"Teal coupe" in page
    assert "script-src 'self'" in heads["Content-Security-Policy"]
    assert "unsafe" not in heads["Content-Security-Policy"]
    assert heads["Referrer-Policy"] == "no-referrer"
    assert heads["Cache-Control"] == "no-store"
    assert "Access-Control-Allow-Origin" not in heads
    assert "Server" not in heads


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "OPTIONS", "HEAD"])
@pytest.mark.parametrize(
    ("what", "changed"),
    [
        ("token missing", {"token": "/"}),
        ("another token", {"token": "/AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA/"}),
        ("a token of other signs", {"token": "/%C3%A4%00/"}),
        ("another host", {"Host": "desk.example:80"}),
        ("a host without the port", {"Host": "127.0.0.1"}),
        ("the other name of this machine", {"Host": "localhost"}),
        ("no host", {"Host": ""}),
        ("another origin", {"Origin": "http://desk.example"}),
        ("no origin of a file", {"Origin": "null"}),
        ("another port as origin", {"Origin": "http://127.0.0.1:1"}),
        ("an origin that begins alike", {"Origin": "http://127.0.0.1.example"}),
    ],
)
def test_what_does_not_come_from_the_page_is_refused(desk: Running, method: str, what: str, changed: dict):
    before = files(desk.folder)
    for path in ("car", "save", "logs/x.csv"):
        status, said, _ = ask(desk, path, method, b"{}", **changed)
        assert status in (400, 403, 404, 421), (what, path, said)
        assert b"Teal" not in said
    assert files(desk.folder) == before


def test_pages_of_a_review_stand_in_a_frame_of_the_desk_alone(tmp_path: Path):
    shutil.copy(SAMPLE / "car.toml", tmp_path)
    shutil.copy(SAMPLE / "session.toml", tmp_path)
    (tmp_path / "report").mkdir()
    for name in ("report.html", "look.html", "course.html"):
        (tmp_path / "report" / name).write_text("<script>parent.document.title</script>")
    with Serving(Folder(tmp_path)) as port:
        told = {}
        for name in ("results", "report/report.html", "report/look.html", "report/course.html"):
            connection = http.client.HTTPConnection("127.0.0.1", port)
            connection.request("GET", f"/t/{name}")
            answer = connection.getresponse()
            told[name] = (
                answer.headers["X-Frame-Options"],
                dict(
                    rule.strip().partition(" ")[::2]
                    for rule in answer.headers["Content-Security-Policy"].split(";")
                ),
                answer.read().decode(),
            )
            connection.close()
    frame, rules, page = told.pop("results")
    assert (frame, rules["frame-ancestors"], rules["frame-src"]) == ("DENY", "'none'", "'self'")
    (attributes,) = re.findall(r"<iframe ([^>]*)>", page)
    # A sandbox without "allow-same-origin": what stands in the frame cannot reach the desk nor ask it.
    assert 'sandbox="allow-scripts allow-popups' in attributes
    assert "same-origin" not in attributes
    assert "top-navigation" not in attributes
    assert len(told) == 3
    for name, (frame, rules, _) in told.items():
        assert (frame, rules["frame-ancestors"], rules["default-src"]) == ("SAMEORIGIN", "'self'", "'none'")
        assert ("script-src" in rules) == name.endswith("look.html")
        assert "connect-src" not in rules


def test_the_command_line_of_the_browser_does_not_let_anybody_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    # Every account of a machine sees the command lines of all: what stands there is spent at its first use.
    seen = tmp_path / "seen"
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@" > {seen}.part && mv {seen}.part {seen}\n')
    browser.chmod(0o755)
    monkeypatch.setenv("BROWSER", f"{browser} %s")
    with Running(tmp_path / "evening", browser=True) as desk:
        limit = time.monotonic() + 30.0
        while not seen.exists() and time.monotonic() < limit:
            time.sleep(0.05)
        opened, lasting = seen.read_text().strip(), urlsplit(desk.address)
        token = lasting.path.strip("/")
        assert token not in opened
        code = urlsplit(opened).path
        # Neither a look at it from elsewhere nor anything but opening it spends it.
        assert ask(desk, "", token=code, Host="desk.example")[0] == 421
        assert [ask(desk, "", method, token=code)[0] for method in ("HEAD", "POST", "PUT")] == [404] * 3
        assert ask(desk, "car", token=code.rstrip("/")[:-1] + "/")[0] == 404
        status, said, heads = ask(desk, "", token=code, Origin="")
        assert (status, heads["Location"]) == (303, lasting.path)
        assert heads["Referrer-Policy"] == "no-referrer"
        for _ in range(2):
            status, said, heads = ask(desk, "", token=code, Origin="")
            assert status == 410
            assert token.encode() not in said
            assert "Location" not in heads
        assert ask(desk, "")[0] == 200


def test_a_change_without_an_origin_is_refused(desk: Running):
    body = json.dumps({"sheet": "car", "version": "", "edits": []}).encode()
    assert ask(desk, "save", "POST", body, Origin="")[0] == 403
    assert ask(desk, "logs/x.csv", "PUT", b"a,b\n", Origin="")[0] == 403


@pytest.mark.parametrize(
    "path",
    [
        "../secret.toml",
        "%2e%2e/secret.toml",
        "..%2fsecret.toml",
        "report/../car.toml",
        "report/..%2fcar.toml",
        "report/%2e%2e%2fcar.toml",
        "report//etc/passwd",
        "report/car.toml",
        "report/results.json%00.html",
        "logs/..%2f..%2fescaped.csv",
        "car.toml",
        "static/../../secret.toml",
    ],
)
def test_no_path_leads_out(desk: Running, path: str):
    status, said, _ = ask(desk, path)
    assert status in (404, 405, 422)
    assert b"secret" not in said
    assert b"corner_loads" not in said


@pytest.mark.parametrize(
    "name", ["..%2f..%2fescaped.csv", "%2fetc%2fescaped.csv", "..%5cescaped.csv", "%2e%2e.csv"]
)
def test_a_log_is_named_by_the_program(desk: Running, name: str):
    outside = set(desk.folder.parent.iterdir())
    status, said, _ = ask(desk, f"logs/{name}", "PUT", b"no table at all")
    assert status in (404, 405, 200, 422), said
    assert set(desk.folder.parent.iterdir()) == outside
    assert all("/" not in p.name and not p.name.startswith("..") for p in desk.folder.iterdir())


@pytest.mark.parametrize("name", [*HOSTILE.values(), "a\0b", "CON", ".hidden", "-rf", "a/b/c", "x" * 300, ""])
@pytest.mark.parametrize("end", [".csv", ".CSV.GZ", ".parquet"])
def test_names_of_logs_are_plain(name: str, end: str):
    kept = safe_name(name + end)
    assert kept.isascii()
    assert set(kept) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-.")
    assert kept.endswith(end.lower())
    assert not kept.startswith((".", "-"))
    assert len(kept) < 80
    assert safe_name(kept) == kept


@pytest.mark.parametrize("name", ["a.exe", "a.toml", "a", "a.csv.exe", "car.toml", ".html", "a.csv/"])
def test_what_is_no_log_is_not_taken(name: str):
    with pytest.raises(AnalyzerError, match="is no log"):
        safe_name(name)


def test_an_upload_that_says_it_is_too_large_is_refused_before_it_comes(desk: Running):
    before = files(desk.folder)
    started = time.monotonic()
    status, said, _ = ask(desk, "logs/large.csv", "PUT", b"a,b\n", Content_Length=str(10_000_000_000))
    assert status == 413
    assert b"2 GB" in said
    assert time.monotonic() - started < 5.0
    assert files(desk.folder) == before


def test_an_upload_that_does_not_say_its_size_is_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    # The limit is tried at a small size, with the counting that a large one goes through.
    monkeypatch.setattr(server, "LARGEST_LOG", 100_000)
    folder = Folder(tmp_path / "evening")
    with Serving(folder) as port, socket.create_connection(("127.0.0.1", port)) as line:
        head = f"PUT /t/logs/x.csv HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        line.sendall((head + "Transfer-Encoding: chunked\r\n\r\n").encode())
        with_answer = b""
        try:
            for _ in range(100):
                line.sendall(b"2710\r\n" + b"1,2,3,4\r\n,".ljust(10_000, b"7") + b"\r\n")
            line.sendall(b"0\r\n\r\n")
        except OSError:
            pass
        line.settimeout(10)
        with contextlib.suppress(OSError):
            with_answer = line.recv(4000)
    assert with_answer == b"" or b"422" in with_answer
    assert list(folder.path.iterdir()) == []


def test_an_upload_that_breaks_off_leaves_nothing(tmp_path: Path):
    folder = Folder(tmp_path / "evening")
    with Serving(folder) as port:
        line = socket.create_connection(("127.0.0.1", port))
        head = f"PUT /t/logs/x.csv HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        line.sendall((head + "Content-Length: 1000000\r\n\r\n").encode() + b"1,2\n" * 1000)
        time.sleep(0.5)
        line.close()
        limit = time.monotonic() + 10
        while list(folder.path.iterdir()) and time.monotonic() < limit:
            time.sleep(0.1)
    assert list(folder.path.iterdir()) == []


def test_an_upload_that_takes_its_time_stops_nobody(desk: Running):
    parts = urlsplit(desk.address)
    slow = socket.create_connection((parts.hostname, parts.port))
    head = (
        f"PUT {parts.path}logs/slow.csv HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: http://{parts.netloc}\r\n"
    )
    slow.sendall((head + "Content-Length: 1000000\r\n\r\n").encode() + b"1,2\n")
    try:
        assert ask(desk, "car")[0] == 200
    finally:
        slow.close()


class Serving:
    """A desk in this process, its token ``t``."""

    def __init__(self, folder: Folder) -> None:
        import uvicorn

        self.own = server.bound(0)
        self.port = self.own.getsockname()[1]
        app = server.Guard(server.Desk(folder).app(), f"127.0.0.1:{self.port}", "t", "once")
        self.server = uvicorn.Server(server.settings(app))
        self.thread = threading.Thread(target=self.server.run, args=([self.own],))

    def __enter__(self) -> int:
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)
        return self.port

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = True
        self.thread.join(20)
        self.own.close()


def test_a_message_without_end_is_refused(desk: Running):
    status, said, _ = ask(desk, "save", "POST", b"[" * 1_500_000)
    assert status == 422
    assert b"too much" in said
    assert ask(desk, "save", "POST", b"[" * 900_000)[0] == 422


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"null", b"\xff", b'{"sheet": "../secret"}', b'{"sheet": "secret"}']
)
@pytest.mark.parametrize("path", ["save", "try", "bar", "work"])
def test_a_message_that_is_none_is_a_plain_line(desk: Running, path: str, body: bytes):
    status, said, _ = ask(desk, path, "POST", body)
    assert status == 422
    assert json.loads(said)["line"]
    assert b"Traceback" not in said


def test_a_second_server_on_the_port_is_refused_in_a_line(desk: Running):
    port = urlsplit(desk.address).port
    with pytest.raises(AnalyzerError, match=rf"^--port {port}: is taken .*; leave --port out"):
        server.bound(port)
    with pytest.raises(AnalyzerError, match="is taken or not allowed"):
        server.bound(70_000)
    with socket.socket() as thief:
        thief.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        with pytest.raises(OSError):
            thief.bind(("127.0.0.1", port))


def test_only_this_machine_reaches_it(desk: Running):
    port = urlsplit(desk.address).port
    table = Path("/proc/net/tcp").read_text() + Path("/proc/net/tcp6").read_text()
    ours = [line.split()[1] for line in table.splitlines() if f":{port:04X} " in line and " 0A " in line]
    assert ours == [f"0100007F:{port:04X}"]


@pytest.mark.parametrize("which", ["car.toml", "session.toml"])
def test_a_sheet_that_is_a_link_out_of_the_folder_is_not_followed(tmp_path: Path, which: str):
    folder = tmp_path / "evening"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("report*", "faults", "*.gz"))
    outside = tmp_path / "outside.toml"
    (folder / which).rename(outside)
    (folder / which).symlink_to(outside)
    with pytest.raises(AnalyzerError, match="link"):
        Folder(folder).read(which.removesuffix(".toml"))


@pytest.mark.parametrize(
    "named", ["../outside.toml", "/etc/passwd", "a/../../outside.toml", "", "..", "a\\b"]
)
def test_a_car_named_outside_the_folder_is_not_read(tmp_path: Path, named: str):
    folder = tmp_path / "evening"
    folder.mkdir()
    (tmp_path / "outside.toml").write_text("name = 'outside'\n")
    (folder / "session.toml").write_text(f"name = 'x'\ncar = '{named}'\n")
    with pytest.raises(AnalyzerError):
        Folder(folder).read("car")


def test_a_report_that_is_a_link_is_not_shown(desk: Running):
    report = desk.folder / "report"
    report.mkdir()
    (report / "report.html").symlink_to(desk.folder.parent / "secret.toml")
    try:
        status, said, _ = ask(desk, "report/report.html")
        assert status in (404, 422)
        assert b"secret'" not in said
    finally:
        shutil.rmtree(report)


def test_markup_in_names_stays_text(tmp_path: Path):
    folder = tmp_path / "<img src=x onerror=alert(1)>"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("report*", "faults", "*.gz"))
    shutil.copy(SAMPLE / "r01.csv.gz", folder)
    mark = "</title><script>alert(1)</script><img src=x onerror=alert(1)>\\\"'"
    for sheet in ("car.toml", "session.toml"):
        path = folder / sheet
        text = path.read_text(encoding="utf-8")
        text = text.replace('name = "', f'name = "{mark}', 1).replace("[setups.A]", f'[setups."{mark}"]')
        text = text.replace('setup = "A"', f'setup = "{mark}"').replace(
            'column = "FL pot"', f'column = "{mark}"'
        )
        path.write_text(text, encoding="utf-8")
    with Serving(Folder(folder)) as port:
        for page in ("", "car", "session", "bar", "results"):
            connection = http.client.HTTPConnection("127.0.0.1", port)
            connection.request("GET", f"/t/{page}")
            text = connection.getresponse().read().decode()
            connection.close()
            assert "<script>alert" not in text, page
            assert "<img src=x" not in text, page
            assert text.count("<script") == 1, page


@pytest.mark.slow
def test_ends_with_its_last_window(tmp_path: Path):
    with Running(tmp_path / "evening") as running:
        parts = urlsplit(running.address)
        line = socket.create_connection((parts.hostname, parts.port))
        line.sendall(f"GET {parts.path}windows HTTP/1.1\r\nHost: {parts.netloc}\r\n\r\n".encode())
        assert b"data:" in line.recv(4000) + line.recv(4000)
        time.sleep(1.0)
        assert running.process.poll() is None
        line.close()
        assert running.process.wait(server.GRACE + 15) == 0


@pytest.mark.slow
def test_goes_on_while_the_next_page_is_loaded(tmp_path: Path):
    with Running(tmp_path / "evening") as running:
        parts = urlsplit(running.address)
        for _ in range(3):
            line = socket.create_connection((parts.hostname, parts.port))
            line.sendall(f"GET {parts.path}windows HTTP/1.1\r\nHost: {parts.netloc}\r\n\r\n".encode())
            assert line.recv(100)
            line.close()
            time.sleep(server.GRACE / 4)
        assert running.process.poll() is None


@pytest.mark.slow
def test_an_interrupt_ends_it_at_once(tmp_path: Path):
    import signal

    with Running(tmp_path / "evening") as running:
        running.process.send_signal(signal.SIGINT)
        assert running.process.wait(15) == 130
        assert running.process.stderr.read().strip() == "analyzer: stopped; nothing was left half written"


def test_largest_log_holds_an_hour_and_not_ten_gigabytes():
    assert 1_200_000_000 < LARGEST_LOG < 10_000_000_000
