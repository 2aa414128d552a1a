"""Who may see the page and who may command."""

from __future__ import annotations

import pytest
from starlette.datastructures import Headers

from swathe.errors import StationError, SwatheError
from swathe.page.access import Access, is_loopback
from swathe.station import PageSettings, parse_station

OURS = "127.0.0.1:8377"


def status(access: Access, method: str = "GET", path: str = "/events", **headers: str) -> int:
    """Return the status with which a request is refused, 200 if it is not."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    refusal = access.refusal(method, path, Headers({"host": OURS, **named}))
    return 200 if refusal is None else refusal[0]


@pytest.fixture
def local() -> Access:
    """Return the rules of a page on loopback."""
    return Access(PageSettings(), 8377)


@pytest.fixture
def remote(monkeypatch: pytest.MonkeyPatch) -> Access:
    """Return the rules of a page on every address, with a token."""
    monkeypatch.setenv("PAGE_TOKEN", "correct horse battery")
    settings = PageSettings(host="0.0.0.0", token_variable="PAGE_TOKEN", names=("Board.Plant",))  # noqa: S104, S106
    return Access(settings, 8377)


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        (OURS, 200),
        ("localhost:8377", 200),
        ("localhost", 200),
        ("[::1]:8377", 200),
        ("evil.example", 421),
        ("evil.example:8377", 421),
        ("127.0.0.1.evil.example", 421),
        ("192.0.2.7:8377", 421),
        ("", 421),
    ],
)
def test_host_of_another_name_is_refused(local: Access, host: str, expected: int) -> None:
    """A foreign name that was made to point at this machine gets nothing."""
    assert status(local, host=host) == expected
    assert status(local, path="/", host=host) == expected


def test_host_twice_is_refused(local: Access) -> None:
    """Two hosts in one request are refused, whichever is ours."""
    headers = Headers(raw=[(b"host", OURS.encode()), (b"host", b"evil.example")])
    refusal = local.refusal("GET", "/", headers)
    assert refusal is not None
    assert refusal[0] == 421


def test_hosts_of_a_page_for_others(remote: Access) -> None:
    """Addresses and the names of the station file are accepted; another name gets the remedy."""
    bearer = "Bearer correct horse battery"
    for host in ("192.0.2.7:8377", "board.plant", "BOARD.PLANT:80", "[2001:db8::1]:8377", OURS):
        assert status(remote, host=host, authorization=bearer) == 200
    refusal = remote.refusal("GET", "/", Headers({"host": "evil.example"}))
    assert refusal is not None
    assert "page.names" in refusal[1]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9000"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
        {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"},
    ],
)
def test_other_site_is_refused(local: Access, headers: dict[str, str]) -> None:
    """Another site in the same browser, another port of this machine too, reads nothing."""
    for path in ("/events", "/tiles/0/0/0", "/static/main.js"):
        assert status(local, path=path, **headers) == 403


def test_link_from_another_site_opens_the_page(local: Access) -> None:
    """A link may lead to the page."""
    assert status(local, path="/", sec_fetch_site="cross-site", sec_fetch_mode="navigate") == 200


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        ({"origin": f"http://{OURS}", "content_type": "application/json"}, 200),
        ({"origin": f"http://{OURS}", "content_type": "application/json; charset=utf-8"}, 200),
        ({"origin": f"http://{OURS}", "content_type": "text/plain"}, 415),
        ({"origin": f"http://{OURS}"}, 415),
        ({"content_type": "application/json"}, 403),
        ({"origin": "http://evil.example", "content_type": "application/json"}, 403),
        ({"content_type": "application/json", "authorization": "Bearer "}, 403),
    ],
)
def test_command_on_loopback(local: Access, headers: dict[str, str], expected: int) -> None:
    """Without a token a command comes from the page itself or not at all."""
    assert status(local, "POST", "/command", **headers) == expected


def test_token_is_asked_for(remote: Access) -> None:
    """Without the token there is the empty page and the door; with it everything."""
    for path in ("/", "/static/main.js", "/favicon.ico"):
        assert status(remote, path=path) == 200
    for path in ("/events", "/tiles/0/0/0", "/cell/0/0", "/line/0", "/staticx", "/command"):
        assert status(remote, path=path) == 401
        assert status(remote, path=path, authorization="Bearer wrong") == 401
        assert status(remote, path=path, cookie="swathe-8377=wrong; other=1") == 401
        assert status(remote, path=path, authorization="Bearer correct horse battery") == 200


def test_cookie_for_the_right_token(remote: Access) -> None:
    """The right token gives a cookie that opens the page and does not tell the token."""
    assert remote.login("wrong") is None
    cookie = remote.login("correct horse battery")
    assert cookie is not None
    assert "correct" not in cookie
    for flag in ("HttpOnly", "SameSite=Strict", "Path=/"):
        assert flag in cookie
    pair = cookie.partition(";")[0]
    assert status(remote, cookie=pair) == 200
    # A cookie alone commands nothing: it needs the page's own origin as well.
    json_type = {"content_type": "application/json"}
    assert status(remote, "POST", "/command", cookie=pair, **json_type) == 403
    ours = {"origin": f"http://{OURS}", **json_type}
    assert status(remote, "POST", "/command", cookie=pair, **ours) == 200
    assert status(remote, "POST", "/command", **ours) == 401
    bearer = {"authorization": "Bearer correct horse battery", **json_type}
    assert status(remote, "POST", "/command", **bearer) == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"])
def test_other_methods_are_refused(local: Access, method: str) -> None:
    """There is nothing that another method could do."""
    assert status(local, method) == 405


def test_token_is_made_for_other_addresses() -> None:
    """An address that others reach is never without a token; each start makes another."""
    first = Access(PageSettings(host="0.0.0.0"), 1)  # noqa: S104
    second = Access(PageSettings(host="192.0.2.7"), 1)
    assert first.token is not None
    assert len(first.token) >= 24
    assert first.token != second.token
    assert Access(PageSettings(host="::1"), 1).token is None


def test_token_variable_not_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """A token that is missing or too short is an error that names the remedy."""
    settings = PageSettings(token_variable="PAGE_TOKEN")  # noqa: S106
    monkeypatch.delenv("PAGE_TOKEN", raising=False)
    with pytest.raises(SwatheError, match=r"'page\.token_variable' names PAGE_TOKEN, which is not"):
        Access(settings, 1)
    monkeypatch.setenv("PAGE_TOKEN", "short")
    with pytest.raises(SwatheError, match="must be 16 characters or more"):
        Access(settings, 1)


def test_page_table_of_the_station_file() -> None:
    """The table's presence makes the page; an error in it names its key."""
    text = (
        'name = "s"\n[survey]\nfolder = "s"\n[scan]\nlength = "9 mm"\nresolution = "1 mm"\n'
        'device = "d"\ncounts_per_mm = 1\n[device.d]\nport = "p"\nprotocol.columns = '
        '[{ is = "counts", axis = "scan" }, { is = "thickness", unit = "mm" }]\n'
    )
    assert parse_station(text, "s.toml").page is None
    page = parse_station(text + "[page]\n", "s.toml").page
    assert page == PageSettings(host="127.0.0.1", port=8377)
    with pytest.raises(StationError, match=r"'page\.port' .*\(got 70000\)"):
        parse_station(text + "[page]\nport = 70000\n", "s.toml")
    with pytest.raises(StationError, match=r"'page\.token'"):
        parse_station(text + '[page]\ntoken = "secret"\n', "s.toml")


def test_is_loopback() -> None:
    """Only addresses of this machine alone are."""
    assert all(map(is_loopback, ("127.0.0.1", "127.9.9.9", "::1", "localhost", "LOCALHOST")))
    assert not any(map(is_loopback, ("0.0.0.0", "::", "192.0.2.7", "example.org", "")))  # noqa: S104
