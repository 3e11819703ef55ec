"""The server of rule tables under edit: no change without token, from elsewhere, or too long."""

import http.client
import json

import pytest
from edit_desk import cases, desk
from reports import Page
from serving import served

from hybridopt.report.edit_server import EditServer
from hybridopt.report.loopback import HOME


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with served(EditServer(desk(cases(("ece15",)), tmp_path_factory.mktemp("saved")))) as made:
        yield made


def ask(server, body, method="POST", path="/", **headers):
    """Send what the page sends, but for what is given; None leaves a header out."""
    host = f"{HOME}:{server.server_port}"
    usual = {
        "Host": host,
        "Origin": f"http://{host}",
        "X-Edit-Token": server.token,
        "Content-Type": "application/json",
        "Content-Length": str(len(body)),
    }
    usual |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection(HOME, server.server_port, timeout=30)
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for name, value in usual.items():
        if value is not None:
            connection.putheader(name, value)
    connection.endheaders(body)
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer.status, text


EDIT = {"do": "edit", "table": "engine_start", "rows": [0, 0], "columns": [0, 0]}
EDIT |= {"operation": "add", "amount": 1.0}


def edit(server, **headers):
    body = json.dumps(EDIT | {"revision": server.desk.session.revision}).encode()
    return ask(server, body, **headers)


def test_the_page_s_own_change_is_done(server):
    before = server.desk.session.revision
    status, text = edit(server)
    assert status == 200 and json.loads(text)["revision"] == before + 1
    named = f"localhost:{server.server_port}"
    assert edit(server, Host=named, Origin=f"http://{named}")[0] == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://example.org"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": None}, 403),
        ({"Origin": "http://127.0.0.1"}, 403),
        ({"Origin": "https://127.0.0.1:1"}, 403),
        ({"Host": "example.org"}, 403),
        ({"Host": "example.org", "Origin": "http://example.org"}, 403),
        ({"Host": None}, 403),
        ({"X_Edit_Token": None}, 403),
        ({"X_Edit_Token": "x" * 32}, 403),
        ({"X_Edit_Token": "\xe4"}, 403),
        ({"Content_Type": "text/plain"}, 415),
        ({"Content_Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content_Length": "100001"}, 413),
        ({"Content_Length": "-1"}, 413),
        ({"Content_Length": None}, 413),
        ({"path": "/edit"}, 404),
        ({"path": "http://example.org/"}, 404),
    ],
)
def test_a_change_from_elsewhere_is_refused(server, headers, status):
    before = server.desk.session.revision
    assert edit(server, **headers)[0] == status
    assert server.desk.session.revision == before


def test_wrong_bodies_are_told_in_one_sentence(server):
    for body in (b"{", b"[" * 5000, b"\xff", b"{}", b"[1]", b'{"do":"edit","revision":NaN}'):
        status, text = ask(server, body)
        assert status in (400, 409) and json.loads(text)["error"]


def test_a_stale_change_is_a_conflict(server):
    status, text = ask(server, json.dumps(EDIT | {"revision": 0}).encode())
    assert status == 409 and "changed on another page" in json.loads(text)["error"]


def test_page_needs_the_token_of_the_address(server):
    path = server.address.removeprefix(f"http://{HOME}:{server.server_port}")
    status, text = ask(server, b"", "GET", path)
    assert status == 200 and Page(text).faults == []
    assert "connect-src 'self'" in text and "default-src 'none'" in text
    for wrong in ("/", "/?token=", "/?token=" + "x" * 32, "/?token=%E4", "/?" + "a=1&" * 50):
        status, text = ask(server, b"", "GET", wrong)
        assert status in (400, 403) and server.token not in text
    assert ask(server, b"", "GET", "/x" + path)[0] == 404
    assert ask(server, b"", "GET", path, Host="example.org")[0] == 403
    assert ask(server, b"", "HEAD", path) == (200, "")
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert ask(server, b"", method)[0] == 405


def test_names_of_files_cannot_break_the_page(server):
    """The folder and the title stand in the page as text."""
    server.desk.folder = server.desk.folder / "<script>alert(1)</script>"
    path = server.address.removeprefix(f"http://{HOME}:{server.server_port}")
    text = ask(server, b"", "GET", path)[1]
    server.desk.folder = server.desk.folder.parents[1]
    assert "<script>alert" not in text and Page(text).faults == []
