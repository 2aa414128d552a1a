"""Guesses of the token: slow, few at a time, counted, logged; and never in the way of the right one."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Iterator
from functools import partial

import pytest

from support.page import PlayedSource, ServedPage
from swathe.errors import SwatheError
from swathe.page import wrong_tokens
from swathe.page.access import Access
from swathe.page.tokens import new_token, page_token
from swathe.page.wrong_tokens import WrongTokens
from swathe.station import PageSettings

TOKEN = "four-cranes-over-the-weir"  # noqa: S105
SETTINGS = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106  a variable's name


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no guess wait."""
    monkeypatch.setattr(wrong_tokens, "_ANSWER_SECONDS", 0.0)


@pytest.mark.parametrize(
    ("token", "problem"),
    [
        ("", "16 characters or more"),
        ("a1b2c3d4e5f6g7h", "16 characters or more"),
        ("passwörd-of-the-page", "ASCII"),
        ("line\nbreak-in-the-token", "printable"),
        ("x" * 40, "8 different characters"),
        ("abababababababababab", "8 different characters"),
        ("abcdefghabcdefgh", "repeats itself"),
        ("0123456789:;<=>?@", "row of the alphabet"),
        ("zyxwvutsrqponmlkji", "row of the alphabet"),
    ],
)
def test_weak_token_is_refused_with_the_cure(
    monkeypatch: pytest.MonkeyPatch, token: str, problem: str
) -> None:
    """Where it is loaded, before anything listens; the token itself is not in the text."""
    monkeypatch.setenv("PAGE_TOKEN", token)
    with pytest.raises(SwatheError) as error:
        Access(SETTINGS, 1)
    text = str(error.value)
    assert problem in text
    assert "PAGE_TOKEN" in text
    assert "secrets.token_urlsafe" in text
    assert not token or token not in text


def test_usual_tokens_are_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Random ones, and several words."""
    for token in (TOKEN, "0f3a9c5b7d1e8246", *(new_token() for _ in range(200))):
        monkeypatch.setenv("PAGE_TOKEN", token)
        assert page_token(SETTINGS) == token


async def test_few_guesses_wait_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of one peer, and of all: the others are refused at once, and others' places stay free."""
    monkeypatch.setattr(wrong_tokens, "_ANSWER_SECONDS", 3600.0)
    wrong = WrongTokens()
    waiting = [asyncio.create_task(wrong.delay("192.0.2.1", "token")) for _ in range(4)]
    await asyncio.sleep(0)
    assert not await wrong.delay("192.0.2.1", "token")
    others = [f"192.0.2.{k}" for k in range(10, 38)]
    waiting += [asyncio.create_task(wrong.delay(peer, "cookie")) for peer in others]
    await asyncio.sleep(0)
    assert not await wrong.delay("192.0.2.99", "token")
    for task in waiting:
        task.cancel()
    await asyncio.gather(*waiting, return_exceptions=True)
    assert not wrong._waiting


@pytest.mark.usefixtures("quick")
async def test_alarm_follows_the_guesses_of_the_last_minute(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """From five on; its text changes with the order of magnitude only, the log is not flooded."""
    now = 100.0
    wrong = WrongTokens(lambda: now)
    texts = []
    with caplog.at_level(logging.WARNING):
        for k in range(1500):
            now += 0.01
            assert await wrong.delay("192.0.2.1", "token")
            texts.append(wrong.text)
            assert k > 3 or not wrong.text
    assert list(dict.fromkeys(texts)) == [
        "",
        "5 or more within a minute, from 192.0.2.1: none was accepted",
        "100 or more within a minute, from 192.0.2.1: none was accepted",
        "1000 or more within a minute, from 192.0.2.1: none was accepted",
    ]
    assert len(caplog.records) == 2
    assert len(wrong._seconds) < 62
    await wrong.delay("192.0.2.2", "token")
    assert "from several addresses" in wrong.text
    now += 70
    assert wrong.text == ""
    for _ in range(5):
        await wrong.delay("192.0.2.3", "token")
    assert wrong.text.startswith("5 or more within a minute, from 192.0.2.3")


@pytest.mark.usefixtures("quick")
async def test_cookies_of_an_earlier_run_are_no_alarm() -> None:
    """A browser repeats its request a few times; a flood of cookies is an alarm all the same."""
    wrong = WrongTokens()
    for _ in range(99):
        await wrong.delay("192.0.2.1", "cookie")
    assert wrong.text == ""
    await wrong.delay("192.0.2.1", "cookie")
    assert wrong.text


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> Iterator[ServedPage]:
    """Return a page that requires the token and answers wrong ones after an hour."""
    monkeypatch.setenv("PAGE_TOKEN", TOKEN)
    monkeypatch.setattr(wrong_tokens, "_ANSWER_SECONDS", 3600.0)
    with ServedPage(PlayedSource(), SETTINGS) as page:
        yield page


def test_right_token_is_accepted_while_others_guess(served: ServedPage) -> None:
    """From the same address, by header and by login; more guesses are refused at once."""
    ended: list[int] = []

    def guess() -> None:
        try:
            ended.append(served.ask("/cell/0/0", Authorization="Bearer no")[0])
        except OSError:
            ended.append(0)

    guessers = [threading.Thread(target=guess) for _ in range(4)]
    for one in guessers:
        one.start()
    waiting = served.page._access.wrong._waiting
    while waiting.total() < 4:
        threading.Event().wait(0.01)
    status, headers, _ = served.ask("/cell/0/0", Authorization="Bearer no")
    assert (status, headers["connection"]) == (429, "close")
    ours = {"Origin": f"http://127.0.0.1:{served.port}", "Content_Type": "application/json"}
    lone = b'{"token": "\\ud800"}'  # half of a surrogate pair
    assert served.ask("/session", method="POST", body=lone, **ours)[0] == 400  # is no JSON
    wrong = b'{"token": "n\xc3\xb6"}'
    assert served.ask("/session", method="POST", body=wrong, **ours)[0] == 429
    assert served.ask("/cell/0/0", Authorization=f"Bearer {TOKEN}")[0] == 200
    login = f'{{"token": "{TOKEN}"}}'.encode()
    status, headers, _ = served.ask("/session", method="POST", body=login, **ours)
    assert status == 204
    cookie = headers["set-cookie"].partition(";")[0]
    assert served.ask("/cell/0/0", Cookie=cookie)[0] == 200
    assert served.ask("/cell/0/0")[0] == 401  # who tries nothing learns at once what is missing
    assert served.call(lambda: served.page.wrong_tokens).startswith("5 or more within a minute")
    served.call(partial(drop, served))
    for one in guessers:
        one.join(20)
        assert not one.is_alive()
    assert ended == [0] * 4


def drop(served: ServedPage) -> None:
    """Close every connection of a page."""
    server = served.page._server
    assert server is not None
    for connection in list(server.server_state.connections):
        assert connection.transport is not None
        connection.transport.abort()


@pytest.mark.usefixtures("quick")
def test_connection_ends_with_a_wrong_token(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each guess costs a connection."""
    monkeypatch.setenv("PAGE_TOKEN", TOKEN)
    with ServedPage(PlayedSource(), SETTINGS) as served:
        for answer in (
            served.ask("/cell/0/0", Authorization="Bearer no"),
            served.ask("/cell/0/0", Cookie=f"swathe-{served.port}=no"),
        ):
            status, headers, _ = answer
            assert (status, headers["connection"]) == (401, "close")
