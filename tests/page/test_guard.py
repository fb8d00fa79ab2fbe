"""Who may speak to the page's server: nobody but the page that it served itself.

What browsers send and keep from each other: Fetch (WHATWG), 3.2 "CORS protocol", 3.4 "Cross-Origin-Resource-Policy";
Fetch Metadata (W3C, 2025), 2.3 "Sec-Fetch-Site"; RFC 9110, 7.2 "Host".
"""

import json

import pytest

from tests.page.conftest import TOKEN

SAVE = {"design": "dove.toml", "tab": "t"}


def test_the_page_and_its_scripts_are_served(page):
    status, headers, body = page.ask("GET", "")
    assert status == 200 and b'<script type="module"' in body
    assert "default-src 'self'" in headers["content-security-policy"]
    assert headers["referrer-policy"] == "no-referrer"
    assert page.ask("GET", "static/main.js")[1]["content-type"].startswith("text/javascript")


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:PORT", "127.0.0.1", "127.0.0.1:1", "192.168.1.5:PORT", ""]
)
def test_another_host_is_refused_as_a_name_that_is_made_to_lead_here_would_send_it(page, host):
    for method, path in (("GET", "api/state?design=dove.toml"), ("POST", "api/save")):
        body = SAVE if method == "POST" else None
        status, _, answer = page.ask(method, path, body, Host=host.replace("PORT", str(page.port)))
        assert status == 421 and b"dove" not in answer.lower()


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:PORT", "http://127.0.0.1:1"])
def test_a_page_from_elsewhere_can_neither_read_nor_save(page, origin):
    before = (page.folder / "dove.toml").read_text()
    changed = page.post("change", base=1, values={"body.hole.1.diameter_mm": 6.2})  # so that there is what to save
    assert changed[0] == 200
    origin = origin.replace("PORT", str(page.port))
    for method, path in (("GET", "api/state?design=dove.toml"), ("GET", "api/events"), ("POST", "api/save")):
        status, headers, answer = page.ask(method, path, SAVE if method == "POST" else None, Origin=origin)
        assert status == 403 and b"Test dove" not in answer
        assert not [name for name in headers if name.lower().startswith("access-control-")]
    assert (page.folder / "dove.toml").read_text() == before


def test_what_another_page_can_send_without_asking_first_is_refused(page):
    """A form or a fetch of mode no-cors sends one of three kinds of text, and no other (Fetch, 2.2.2 "Methods")."""
    sent = json.dumps(SAVE)
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", None):
        assert page.ask("POST", "api/save", text=sent, Content_Type=kind)[0] == 415
    assert page.ask("POST", "api/save", SAVE, Origin=None)[0] == 403
    assert page.ask("POST", "api/save", SAVE, Sec_Fetch_Site="cross-site")[0] == 403
    assert page.ask("GET", "api/state?design=dove.toml", Sec_Fetch_Site="cross-site")[0] == 403
    # Another port of this machine is another origin on the same site.
    assert page.ask("GET", "api/state?design=dove.toml", Sec_Fetch_Site="same-site")[0] == 403
    assert page.ask("PUT", "api/save", SAVE)[0] == 405
    assert page.ask("OPTIONS", "api/save")[0] == 405


@pytest.mark.parametrize("token", [None, "", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "%00"])
def test_without_the_token_nothing_is_told(page, token):
    for path in ("", "static/main.js", "api/folder", "api/state?design=dove.toml"):
        status, _, answer = page.ask("GET", path, token=token)
        assert status == 403 and b"dove.toml" not in answer
    assert page.ask("POST", "api/save", SAVE, token=token)[0] == 403


def test_two_hosts_are_none(page):
    """A second Host line is an error (RFC 9112, 3.2), and never the one that counts."""
    import socket

    with socket.create_connection(("127.0.0.1", page.port), 10) as line:
        line.sendall(f"GET /{TOKEN}/api/folder HTTP/1.1\r\nHost: {page.host}\r\nHost: evil.example\r\n\r\n".encode())
        assert line.recv(64).split()[1] in (b"400", b"421")


def test_a_link_to_the_page_may_be_followed_from_anywhere_and_nothing_else(page):
    visit = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate"}
    assert page.ask("GET", "", **visit)[0] == 200
    assert page.ask("GET", "api/folder", **visit)[0] == 403


def test_too_much_is_refused_before_it_is_read(page):
    assert page.ask("POST", "api/save", text="{}", Content_Type="application/json", Content_Length="2000000")[0] == 413
