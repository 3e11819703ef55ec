"""The page of a folder: loopback only, read-only, and no way out of the folder."""

import http.client
import os
import re
import socket

import pytest
from reports import Page, write_comparison
from serving import served

from hybridopt import Result
from hybridopt.report import shelf as shelf_module
from hybridopt.report.loopback import HOME
from hybridopt.report.server import PageServer
from hybridopt.report.shelf import Shelf


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    above = tmp_path_factory.mktemp("above")
    result.to_netcdf(above / "secret.nc")
    (above / "secret.txt").write_text("secret")
    inside = above / "results"
    inside.mkdir()
    result.to_netcdf(inside / "one.nc")
    result.to_netcdf(inside / "a & <b> %2e.nc")
    os.symlink(above / "secret.nc", inside / "link.nc")
    (inside / "below").mkdir()
    result.to_netcdf(inside / "below" / "deep.nc")
    (inside / "broken.nc").write_bytes(b"\x89HDF and nothing")
    (inside / "other.json").write_text("[1, 2]")
    os.mkfifo(inside / "pipe.nc")
    write_comparison(inside / "compare.json")
    return inside


@pytest.fixture(scope="module")
def server(folder):
    with served(PageServer(folder)) as made:
        yield made


def ask(server, path="/", method="GET", host=None, **headers):
    connection = http.client.HTTPConnection(HOME, server.server_port, timeout=30)
    connection.putrequest(method, path, skip_host=True)
    connection.putheader("Host", host or f"{HOME}:{server.server_port}")
    for name, value in headers.items():
        connection.putheader(name, value)
    connection.endheaders()
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer, text


def test_it_listens_on_loopback_and_a_free_port(server):
    assert server.socket.getsockname()[0] == "127.0.0.1" and server.server_port > 1023
    with PageServer(server.shelf.folder) as other:
        assert other.server_port != server.server_port


@pytest.mark.long
def test_page_shows_ordinary_files_of_the_folder_alone(server):
    answer, text = ask(server)
    assert answer.status == 200
    page = Page(text)
    assert page.faults == []
    values = {option["value"] for option in page.of("option")}
    assert values == {"", "one.nc", "a & <b> %2e.nc"}
    assert "Controllers against the optimum" in text  # compare.json is on the same cycle


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/..%2fsecret.txt",
        "/%2e%2e/secret.txt",
        "//etc/passwd",
        "/one.nc",
        "/./",
        "/?left=../secret.nc",
        "/?left=..%2Fsecret.nc",
        "/?left=%2e%2e%5csecret.nc",
        "/?left=link.nc",
        "/?right=below/deep.nc",
        "/?left=below%2Fdeep.nc",
        "/?left=%00",
        "/?left=one.nc%00.nc",
        "/?left=pipe.nc",
        "/?left=broken.nc",
        "/?left=/etc/passwd",
        "http://example.org/",
        "/?left=secret.nc",
    ],
)
def test_no_path_leads_out(server, path):
    answer, text = ask(server, path)
    assert answer.status == 404
    assert "secret" not in text and "root:" not in text


@pytest.mark.long
def test_a_name_with_signs_is_found_by_its_name(server):
    answer, text = ask(server, "/?left=a+%26+%3Cb%3E+%252e.nc&right=")
    assert answer.status == 200 and text.count('<section class="run"') == 1


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "example.org:80",
        "127.0.0.1",
        "localhost:1",
        "0.0.0.0",
        "[::1]",
        "127.0.0.1.example.org",
    ],
)
def test_another_host_is_refused(server, host):
    assert ask(server, host=host)[0].status == 403


@pytest.mark.long
def test_localhost_is_this_server(server):
    assert (
        ask(server, "/?left=one.nc&right=", host=f"localhost:{server.server_port}")[0].status == 200
    )


def test_two_or_no_hosts_are_refused(server):
    for lines in ("Host: a\r\nHost: 127.0.0.1", ""):
        with socket.create_connection((HOME, server.server_port), timeout=10) as raw:
            raw.sendall(f"GET / HTTP/1.0\r\n{lines}\r\n\r\n".encode())
            assert b" 403 " in raw.recv(200)


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "X"])
def test_only_reading(server, method):
    assert ask(server, method=method)[0].status in (405, 501)


@pytest.mark.long
def test_head_has_no_body_and_headers_are_strict(server):
    answer, text = ask(server, "/?left=one.nc&right=", "HEAD")
    assert answer.status == 200 and text == ""
    assert answer.getheader("Cache-Control") == "no-store"
    assert answer.getheader("X-Content-Type-Options") == "nosniff"
    assert answer.getheader("Content-Security-Policy") == "frame-ancestors 'none'"
    assert "Python" not in (answer.getheader("Server") or "")


@pytest.mark.long
def test_long_address_and_noise_do_not_end_it(server):
    assert ask(server, "/?left=" + "a" * 9000)[0].status == 414
    with socket.create_connection((HOME, server.server_port), timeout=10) as raw:
        raw.sendall(b"\x00\x01\x02\r\n\r\n")
        raw.recv(100)
    assert ask(server, "/?" + "&".join(f"a{i}=1" for i in range(50)))[0].status == 400
    assert ask(server, "/?left=one.nc&right=")[0].status == 200


@pytest.mark.long
def test_nothing_is_written(server, folder):
    before = sorted((p.name, p.lstat().st_mtime_ns) for p in folder.iterdir())
    ask(server)
    assert before == sorted((p.name, p.lstat().st_mtime_ns) for p in folder.iterdir())


def test_a_changed_file_is_read_again(result, tmp_path):
    shelf = Shelf(tmp_path)
    assert "There is no result" in shelf.page({})
    result.to_netcdf(tmp_path / "new.nc")
    assert list(shelf.results()) == ["new.nc"]
    (tmp_path / "new.nc").write_bytes(b"no more")
    assert shelf.results() == {}


# --- bad files among good ones ---


def forged(result, folder, name, **attrs):
    """Write a result with the right seal and other attrs."""
    Result(result.dataset.assign_attrs(attrs)).to_netcdf(folder / name)


@pytest.mark.long
def test_bad_files_are_listed_with_their_fault_and_the_others_shown(result, tmp_path):
    result.to_netcdf(tmp_path / "good.nc")
    (tmp_path / "a.nc").write_bytes(b"no file of this kind")
    (tmp_path / "b.nc").write_bytes((tmp_path / "good.nc").read_bytes()[:5000])
    forged(result, tmp_path, "c.nc", soc_end="much")
    write_comparison(tmp_path / "good.json")
    record = (tmp_path / "good.json").read_text()
    digits = re.sub(r'"starts": \d+', '"starts": ' + "9" * 400, record, count=1)
    assert digits != record
    (tmp_path / "digits.json").write_text(digits)
    (tmp_path / "<b>.json").write_text("{")
    shelf = Shelf(tmp_path)
    page = shelf.page({})
    assert list(shelf.results()) == ["good.nc"] and list(shelf.comparisons()) == ["good.json"]
    assert "Files that are not shown (5)" in page and "Controllers against the optimum" in page
    for words in (
        "<li>a.nc: is no NetCDF result, or not as it was written (it has no seal); solve ag",
        "<li>b.nc: is no NetCDF result",
        "<li>c.nc: its attribute soc_end is no number; solve again</li>",
        "<li>digits.json: score 1: starts is no number",
        "<li>&lt;b&gt;.json: is no JSON",
    ):
        assert words in page, words
    assert str(tmp_path) not in page


@pytest.mark.long
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_result_that_cannot_be_drawn_leaves_the_other(side, result, tmp_path, monkeypatch):
    result.to_netcdf(tmp_path / "good.nc")
    forged(result, tmp_path, "odd.nc", share_coast=float("nan"))
    usual = shelf_module.chart_data

    def drawn(shown, name):
        if name == side:
            raise KeyError("something that no check foresaw")
        return usual(shown, name)

    monkeypatch.setattr(shelf_module, "chart_data", drawn)
    page = Shelf(tmp_path).page({"left": "good.nc", "right": "good.nc"})
    assert page.count("cannot be drawn (KeyError)") == 2 and page.count('class="run"') == 1


@pytest.mark.long
def test_whatever_a_reader_raises_is_a_fault(result, tmp_path, monkeypatch):
    result.to_netcdf(tmp_path / "good.nc")
    (tmp_path / "odd.json").write_text("{}")
    monkeypatch.setattr(shelf_module, "read_comparison", lambda path: 1 / 0)
    page = Shelf(tmp_path).page({})
    assert "<li>odd.json: cannot be read (ZeroDivisionError)</li>" in page and "good.nc" in page


@pytest.mark.long
def test_results_take_no_more_memory_than_there_is(result, tmp_path, monkeypatch):
    for name in "abc":
        result.to_netcdf(tmp_path / f"{name}.nc")
    monkeypatch.setattr(shelf_module, "MOST_BYTES", 2.5 * result.dataset.nbytes)
    shelf = Shelf(tmp_path)
    assert list(shelf.results()) == ["a.nc", "b.nc"]
    assert "<li>c.nc: the files before it take the memory" in shelf.page({})
    (tmp_path / "a.nc").unlink()
    result.to_netcdf(tmp_path / "d.nc")
    assert list(shelf.results()) == ["b.nc", "d.nc"], "what went away takes no room"


def test_a_folder_that_went_away_is_an_empty_page(tmp_path):
    assert "There is no result" in Shelf(tmp_path / "gone").page({})
